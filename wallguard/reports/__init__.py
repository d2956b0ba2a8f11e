"""Reports: functions from the result of a run to text. They compute nothing."""
