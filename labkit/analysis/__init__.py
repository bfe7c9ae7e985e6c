"""What the scores say: panel, surfaces, suggestion, stopping, discrimination, planning."""
