"""Clients, coffees, tasters."""
