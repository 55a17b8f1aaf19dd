"""Numbers of codes in arrays are the positions of the codes in their lists."""

from __future__ import annotations

import inspect

import numpy as np
import pytest
from nodeday.schemas import codes, numbers

CLASSES = [each for _, each in inspect.getmembers(numbers, inspect.isclass) if each.__annotations__]


def test_a_number_leads_back_to_its_code() -> None:
    assert list(codes.GAP_CAUSE)[numbers.GapCause.HUB_OUTAGE] == "hub_outage"
    assert CLASSES
    for each in CLASSES:
        assert all(type(getattr(each, name)) is int for name in each.__annotations__), each


def test_a_comparison_keeps_the_type_of_the_array() -> None:
    cause = np.array([0, 2], np.int8)
    assert (cause + numbers.GapCause.UNKNOWN).dtype == np.int8
    assert (cause == numbers.GapCause.HUB_OUTAGE).tolist() == [False, True]


def test_a_name_that_is_no_code_is_refused() -> None:
    class Wrong:
        RADOI: int

    with pytest.raises(TypeError, match=r"Wrong\.RADOI is none of the codes RADIO, "):
        numbers.numbers_of(codes.GAP_CAUSE)(Wrong)
