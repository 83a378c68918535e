"""What the firm's register adds to the tests: fills what a visit leaves blank, and asks where both say something else."""
