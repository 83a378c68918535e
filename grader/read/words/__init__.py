"""Texts of a sheet -> what they mean, from data: headings, units, dates, how readings are written."""
