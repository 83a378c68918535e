"""The review stage: what the years say about an outlet, made from the verdicts."""
