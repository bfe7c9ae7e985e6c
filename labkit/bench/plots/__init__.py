"""Pictures: functions of data and axes."""
