"""Humidity of compressed air: constants, saturation, enhancement, dew point."""
