"""What to taste next, and when to stop: belief, acquisition, planning, simulated panels."""
