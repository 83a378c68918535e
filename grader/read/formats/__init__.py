"""Bytes of a file -> its sheets as rows of cells, one module a format."""
