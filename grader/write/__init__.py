"""Writing workbooks: the blank, and the result with its sheets."""
