"""Chow, Maidment and Mays, Applied Hydrology (1988), Example 6.3.1: the Colorado River at Austin, 5 October 1983.

Data and total are REMEMBERED; the total of 3061 ft3/s was recalled before it was computed. The area recalled (1693 ft2)
does not follow from the depths recalled (1685.15), so only discharge and width are held against the source.
"""

from __future__ import annotations

import pytest

from tests.making import computed, one_point_section

FOOT = 0.3048
X = [0, 12, 32, 52, 72, 92, 112, 132, 152, 167, 182, 197, 212, 227, 242, 257, 272, 287, 302, 317, 325]
D = [0, 3.1, 4.4, 4.6, 5.7, 4.5, 4.4, 5.4, 6.1, 5.8, 5.7, 5.1, 6.0, 6.5, 7.2, 7.2, 8.2, 5.5, 3.6, 3.2, 0]
V = [0, 0.37, 0.87, 1.09, 1.34, 0.71, 0.87, 1.42, 2.03, 2.22, 2.51, 3.06, 3.12, 2.96, 2.62, 2.04, 1.56, 2.04, 1.57,
     1.18, 0]  # fmt: skip


def test_discharge_of_the_example_is_the_printed_one():
    """Mid-section of the example gives 3061 ft3/s over 325 ft."""
    section = one_point_section(*([value * FOOT for value in column] for column in (X, D, V)))
    result = computed(section).results.iloc[0]
    assert result["discharge_m3_s"] / FOOT**3 == pytest.approx(3061, abs=0.5)
    assert result["width_m"] / FOOT == pytest.approx(325, abs=1e-9)
    assert result["largest_share_pct"] == pytest.approx(100 * 288.6 / 3061.3735, abs=1e-4)
