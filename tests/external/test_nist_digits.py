"""Digits of the certificates of NIST/ITL StRD that come back; the table is in DEVELOPERS.md.

``python tests/nist_digits.py`` prints it.
"""

from __future__ import annotations

import numpy as np
import pytest
from nist_digits import MODELS, certificate, digits, table


@pytest.fixture(scope="module")
def rows():
    return list(table())


def test_our_fits_give_eight_digits_of_parameters_and_errors(rows):
    ours = [row for row in rows if row.way != "solver below"]
    assert {row.name for row in ours} == {"Gauss1", "Gauss2", "Gauss3", "Eckerle4", "Norris"}
    for row in ours:
        assert row.parameters >= 8, row
        assert row.errors >= 8, row


def test_the_solver_below_finds_every_certificate(rows):
    below = [row for row in rows if row.way == "solver below"]
    assert {row.name for row in below} == set(MODELS)
    for row in below:
        assert row.parameters >= 6, row
        # The data of Lanczos1 are exact to 14 digits: its residual, and with it the errors,
        # is the rounding of its last digits.
        assert row.errors >= (2.5 if row.name == "Lanczos1" else 6), row


# not Lanczos1: the rounding of its printed parameters alone moves the residual
@pytest.mark.parametrize("name", sorted(set(MODELS) - {"Lanczos1"}))
def test_certified_parameters_give_the_certified_residual(name):
    """The models above are those of the files; 4e-11 relative is what the printing leaves."""
    set_ = certificate(name)
    residual = set_.y - MODELS[name](set_.parameters, set_.x)
    assert float(residual @ residual) == pytest.approx(set_.residual_sum, rel=1e-9)


def test_digits_are_counted_from_the_worst_value():
    assert digits(np.array([1.001, 2.0]), np.array([1.0, 2.0]), 11) == pytest.approx(3.0)
    assert digits(np.array([2.0]), np.array([2.0]), 11) == 11
