"""The model of the scores: columns, coding, mixed models and their corrections."""
