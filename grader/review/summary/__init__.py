"""The Summary page and its tables."""
