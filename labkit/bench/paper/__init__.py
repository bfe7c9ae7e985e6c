"""What is printed: sheets, labels, cards, reports."""
