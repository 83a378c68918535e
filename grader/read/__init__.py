"""Finds workbooks, reads them in child processes, and makes one table of raw tests."""
