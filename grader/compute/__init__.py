"""The compute stage: water content, dew point and margin, from the table of tests."""
