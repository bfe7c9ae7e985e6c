"""Tests of two waters: can anyone tell them apart, which is preferred, how many it takes."""
