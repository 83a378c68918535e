"""Statistics of many short series at once."""
