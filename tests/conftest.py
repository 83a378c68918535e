"""What holds for every test."""

import os

# Programs that tests start keep what Python compiled of the package: each would compile all of it again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
