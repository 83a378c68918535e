"""A second judge, written from the design alone: slow, plain, one row at a time.

Nothing here is imported from grader/judge, grader/compute or the reader: where both judges agree, two readings of the
rules agree. The data files (rules, parameters, units, outdoor air) are read as data, by a reader of its own.
`python -m tests.judge.independent --rows 50000 --seed 1` compares by hand.
"""
