"""Compares the two judges by hand: python -m tests.judge.independent --rows 50000 --seed 1 [--show 5]."""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

from tests.judge.independent.compare import compared


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--show", type=int, default=3, help="rows shown of each way to differ")
    asked = parser.parse_args()
    total, ways, shown = 0, Counter[tuple[str, str, str]](), Counter[str]()
    for number, start in enumerate(range(0, asked.rows, 5000)):
        with tempfile.TemporaryDirectory() as folder:
            count, lines, kinds = compared(Path(folder), min(5000, asked.rows - start), asked.seed * 1000 + number)
        total, ways = total + count, ways + kinds
        for line in lines:
            head = line.partition("\n")[0]
            shown[head] += 1
            if shown[head] <= asked.show:
                print(line)
    differing = sum(ways.values())
    print(f"{asked.rows} rows, {total} verdicts, {differing} differ ({100 * differing / total:.3f} %)")
    for (name, word, own), times in ways.most_common():
        print(f"{times:6d}  {name}: program {word}, second judge {own}")


if __name__ == "__main__":
    main()
