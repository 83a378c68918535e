"""The sheet Actions: findings, what they rest on, and their words."""
