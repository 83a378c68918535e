"""Early warning: what is different lately from what was usual at a system, and how long it will last."""
