"""Makes what the pages have from the program anew, beside them.

`python -m companion.docs` writes reference.md; with the folder of the invented day it
replays that day and draws the tutorial's pictures too.
"""

import sys
import tempfile
from pathlib import Path

from companion.cli import commands
from companion.docs.pictures import draw_pictures
from companion.docs.reference import reference


def _draw(day: Path, folder: Path) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        logbook = Path(scratch) / "day.db"
        commands.main(
            ["replay", str(day), "--logbook", str(logbook)],
            "companion",
            standalone_mode=False,
        )
        draw_pictures(folder, day, logbook)


if __name__ == "__main__":
    Path(__file__).with_name("reference.md").write_text(reference(), encoding="utf-8")
    if sys.argv[1:]:
        _draw(Path(sys.argv[1]), Path(__file__).with_name("pictures"))
