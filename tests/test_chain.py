"""The sum over paths in single precision, where some places grow ever likelier backward."""

from __future__ import annotations

import numpy as np

from improv.chain import Field, believe
from improv.frame import Frame, Hands

EVENTS = 40


def test_a_lane_no_path_enters_overflows_nothing() -> None:
    """The only lane open at the start fits badly, the other well: its message back has no bound."""
    shape = (2, 2, EVENTS, 1)  # candidates, lanes, events, phrases
    stay = np.zeros((2, *shape), dtype=np.float32)
    stay[0, 0, 0], stay[0, 0, 1] = 1e-3, 1.0
    none = np.zeros(shape, dtype=np.float32)
    start = none.copy()
    start[0, 0, 0] = 1e-3
    frame = Frame(stay, none, none, start, none, np.full((EVENTS, 1), 200.0))
    flat = np.zeros((EVENTS, 1, 1), dtype=np.float32)
    hands = Hands(flat, flat + np.float32(10.0), 0.0)
    found = believe(Field(frame, hands, np.ones((EVENTS, 1), dtype=np.bool_)))
    assert np.isfinite(found).all()
    assert found[:, 1].max() == 0.0
    np.testing.assert_allclose(found[0, 0, :, 0], 1.0, atol=0.02)
