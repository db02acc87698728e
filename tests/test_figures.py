"""Numbers as people read them: so many significant digits, and never in powers of ten."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.units import figure


@pytest.mark.parametrize(
    ("value", "digits", "told"),
    [
        (0, 2, "0"), (0.00099, 2, "less than 0.001"), (0.001, 2, "0.001"), (0.0068, 2, "0.0068"), (0.345, 2, "0.34"),
        (99.4, 2, "99"), (99.6, 2, "100"), (120, 2, "120"), (709.4, 3, "709"), (999.4, 3, "999"), (1020.3, 3, "1020"),
        (19_640, 3, "19640"),
    ],
)  # fmt: skip
def test_from_both_sides_of_what_would_be_told_in_powers_of_ten(value: float, digits: int, told: str) -> None:
    assert figure(value, digits) == told


@given(st.floats(0, 1e9), st.integers(2, 4))
def test_it_tells_the_number_to_its_digits(value: float, digits: int) -> None:
    told = figure(value, digits)
    assert "e" not in told.removeprefix("less than ")
    if value >= 0.001:
        assert float(told) == pytest.approx(value, rel=10 ** (1 - digits))
