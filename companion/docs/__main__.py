"""Writes reference.md anew from the code, beside the other pages: `python -m companion.docs`."""

from pathlib import Path

from companion.docs.reference import reference

if __name__ == "__main__":
    Path(__file__).with_name("reference.md").write_text(reference(), encoding="utf-8")
