"""Numbers of the fit checker: that they are written like every other quantity of the program, and read back."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rimsight.calibration.uncertainty import Quantity, format_quantity, from_ufloat
from rimsight.fit import numbers


@given(st.floats(-100, 100), st.floats(1e-5, 2), st.floats(1e-5, 2))
def test_json_and_words_agree_with_the_quantities_of_the_photo(value: float, scale: float, edge: float) -> None:
    """`fit` imports nothing of `calibration`; what both print must be alike all the same."""
    x = value + ufloat(0, scale, "scale") + ufloat(0, edge, "edge")
    quantity = from_ufloat(x)
    assert numbers.to_json(x) == quantity.to_json()
    assert numbers.in_words(x) == format_quantity(value, quantity.u95, "mm")


def test_plain_numbers() -> None:
    assert numbers.to_json(6.1) == {"value": 6.1, "u95": 0.0, "budget": {}} == Quantity(6.1, 0.0).to_json()
    assert numbers.in_words(6.1) == "6.1 mm"
    assert numbers.standard(6.1) == 0.0


def test_half_width_is_uniform_and_a_statement_is_95_percent() -> None:
    """JCGM 100:2008, 4.3.7: a/sqrt(3); DIN 862's 0.02 mm becomes 0.0115 mm."""
    assert numbers.standard(numbers.within(6.1, 0.02, "stone")) == pytest.approx(0.011547, abs=1e-6)
    assert numbers.standard(numbers.stated(6.1, 0.02, "stone")) == pytest.approx(0.02 / 1.95996, abs=1e-6)


def test_what_cancels_is_no_part_of_the_budget() -> None:
    outer, wall = numbers.within(6.5, 0.02, "od"), numbers.within(0.635, 0.02, "wall")
    assert list(numbers.budget((outer - (outer - 2 * wall)) / 2)) == ["wall"]


@given(st.floats(0.1, 100), st.floats(1e-4, 1), st.floats(1e-4, 1))
def test_read_back(value: float, scale: float, edge: float) -> None:
    record = json.loads(json.dumps(numbers.to_json(value + ufloat(0, scale, "scale") + ufloat(0, edge, "edge"))))
    again = numbers.from_json(record, "stone")
    assert numbers.nominal(again) == pytest.approx(value, abs=6e-5)
    assert numbers.standard(again) == pytest.approx(math.hypot(scale, edge), rel=5e-3)  # budgets carry 3 digits
    assert set(numbers.budget(again)) == {"scale", "edge"}


def test_read_back_without_a_budget() -> None:
    again = numbers.from_json({"value": 6.1, "u95": 0.0196}, "stone")
    assert numbers.budget(again) == {"stone": pytest.approx(0.01, abs=1e-6)}
    assert numbers.standard(numbers.from_json({"value": 6.1}, "stone")) == 0.0


@pytest.mark.parametrize(
    "record",
    [{}, {"value": None}, {"value": "x"}, {"value": math.nan}, {"value": 1, "u95": -1}, {"value": 1, "budget": [1]},
     {"value": 1, "budget": {"edge": -0.1}}, {"value": 1, "u95": math.inf}],
)
def test_records_that_are_no_quantity(record: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="stone"):
        numbers.from_json(record, "stone")
