"""The program that fits the sign of doubt: what it leaves out it has not seen, and it doubts few good mattes."""

import fit_doubt
import numpy as np
import pytest
from inkarnat.nodes.doubt import BOUNDS, FITTED

NAMES = [name for name in FITTED[False, True] if name]


def rows_of(pictures, seed=1):
    """Return mattes of some pictures: bad ones are softer and lie more on no person, by figures with much spread."""
    random = np.random.default_rng(seed)
    found = []
    for picture in range(pictures):
        for number in range(12):
            bad = number % 4 == 0
            worse = {"soft": 0.3 * bad, "elsewhere": 0.4 * bad, "rim": -0.2 * bad, "off the line": 8.0 * bad}
            usual = {"soft": 0.3, "elsewhere": 0.1, "rim": 0.6, "off the line": 8.0}
            figures = {
                name: float(np.clip(random.normal(usual[name] + worse[name], 0.2 * usual[name] + 0.05), *BOUNDS[name]))
                for name in NAMES
            }
            names = f"folder {picture % 3}", f"picture {picture}", "stroke", False
            found.append(fit_doubt.Row(*names, False, True, 0.4 if bad else 0.9, figures, ()))
    return found


def test_what_is_fitted_tells_of_bad_mattes_and_of_few_good_ones():
    rows, others = rows_of(20), rows_of(20, seed=2)
    at = fit_doubt.fitted(rows, NAMES)
    for own, least, most in ((rows, 0.85, fit_doubt.FALSE + 0.01), (others, 0.8, 0.05)):
        told = fit_doubt.table(own, NAMES) @ at[:-1] + at[-1] > 0
        bad = np.array([row.f1 < fit_doubt.BAD for row in own])
        assert told[bad].mean() > least
        assert told[~bad].mean() <= most


def test_no_picture_with_many_mattes_of_a_kind_decides():
    rows = rows_of(4) + [row for row in rows_of(1) for _ in range(10)]
    weights, owner = fit_doubt.weights_of(rows), np.array([row.picture for row in rows])
    bad = np.array([row.f1 < fit_doubt.BAD for row in rows])
    assert weights[bad].sum() == pytest.approx(weights[~bad].sum())
    for kind in (bad, ~bad):
        own = [weights[kind & (owner == name)].sum() for name in sorted(set(owner))]
        assert max(own) <= 2.01 * min(own)


def test_a_group_is_judged_by_what_has_not_seen_it():
    """Truth turned round in one group must not change what is told of it."""
    rows = rows_of(9)
    group = [row.folder for row in rows]
    told = fit_doubt.left_out(rows, NAMES, group)
    turned = [
        fit_doubt.Row(*(row.folder, row.picture, row.kind, False, False, True, 1.3 - row.f1, row.figures, ()))
        if row.folder == "folder 1"
        else row
        for row in rows
    ]
    own = np.array([name == "folder 1" for name in group])
    again = fit_doubt.left_out(turned, NAMES, group)
    np.testing.assert_array_equal(told[own], again[own])
    assert np.any(told[~own] != again[~own])
