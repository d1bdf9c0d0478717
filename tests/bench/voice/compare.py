"""Compare two runs of the bench clip by clip: McNemar's test, exact (Psychometrika 12, 1947).

Example: python -m tests.bench.voice.compare before.jsonl now.jsonl
"""

from __future__ import annotations

import argparse
from pathlib import Path

from scipy.stats import binomtest

from tests.bench.voice.outcomes import Kept, Outcome, Overheard, read_outcomes

Pair = tuple[Kept, Kept]


def paired(before: Path, now: Path) -> list[str]:
    """Return a line for each row that both have: how much is understood, what is gained and lost, and p."""
    first, second = (
        {(one.row, one.clip): one for one in read_outcomes(path)}
        for path in (before, now)
    )
    both = sorted(first.keys() & second.keys())
    rows = dict.fromkeys(row for row, _ in both)
    return [
        f"{row:44} {_line([(first[key], second[key]) for key in both if key[0] == row])}"
        for row in rows
    ]


def _line(pairs: list[Pair]) -> str:
    said = [
        (a, b) for a, b in pairs if isinstance(a, Outcome) and isinstance(b, Outcome)
    ]
    talk = [
        (a, b)
        for a, b in pairs
        if isinstance(a, Overheard) and isinstance(b, Overheard)
    ]
    if talk:
        was, now = (
            sum(len(a.false) for a, _ in talk),
            sum(len(b.false) for _, b in talk),
        )
        return f"false {was} -> {now} in the same {sum(a.hours for a, _ in talk):.2f} h"
    gained, lost = (
        sum(b.right > a.right for a, b in said),
        sum(b.right < a.right for a, b in said),
    )
    p = binomtest(gained, gained + lost).pvalue if gained + lost else 1.0
    was, now = sum(a.right for a, _ in said), sum(b.right for _, b in said)
    wrong = f"wrong {sum(a.wrong for a, _ in said)} -> {sum(b.wrong for _, b in said)}"
    rates = f"{was / len(said):.3f} -> {now / len(said):.3f} n {len(said)}"
    return f"{rates}: gained {gained}, lost {lost}, p {p:.3f}; {wrong}"


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("before", type=Path)
    parser.add_argument("now", type=Path)
    asked = parser.parse_args()
    print("\n".join(paired(asked.before, asked.now)))


if __name__ == "__main__":
    main()
