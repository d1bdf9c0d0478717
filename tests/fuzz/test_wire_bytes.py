"""The same check as the coverage-guided run, with bytes that hypothesis makes up."""

import importlib.util
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

_spec = importlib.util.spec_from_file_location(
    "wire_bytes", Path(__file__).with_name("wire_bytes.py")
)
assert _spec is not None
assert _spec.loader is not None
wire_bytes = importlib.util.module_from_spec(_spec)
sys.modules["wire_bytes"] = wire_bytes
_spec.loader.exec_module(wire_bytes)

PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([seed[1:] for seed in wire_bytes.SEEDS]),
    st.text("$!\\*,0123456789ABCDEFNSWEcs:.\r\n", max_size=60).map(str.encode),
)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 255), st.lists(PIECES, max_size=12))
def test_any_bytes_on_any_wires(cut, pieces):
    wire_bytes.one(bytes([cut]) + b"".join(pieces))


def test_the_seeds():
    for seed in wire_bytes.SEEDS:
        wire_bytes.one(seed)
