"""python -m grader, and the command `grader`."""

import atexit
import gc

from grader.cli import main

_GARBAGE_THRESHOLD = 400_000  # new objects between two searches for circles; what is loaded makes 300,000


def program() -> None:
    """The command line as a process of its own, which need not tidy up what ends with it."""
    gc.set_threshold(_GARBAGE_THRESHOLD)
    atexit.register(gc.freeze)
    main()


if __name__ == "__main__":
    program()
