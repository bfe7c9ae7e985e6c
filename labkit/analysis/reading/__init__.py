"""What the scores of one coffee say: panel, surface, best water, verdict; and other scales."""
