"""The page "Today": one page for the whole work, its steps side by side in one kernel."""
