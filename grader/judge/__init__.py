"""Judging: rule sets, verdicts and queries."""
