"""The sheet Oddities: what looks odd only when many tests are seen side by side."""
