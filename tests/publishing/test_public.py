"""What is public on a day: access, embargo, licence, and the description that holds."""

from __future__ import annotations

from datetime import date

import pytest

from stillwell.publishing.public import CannotPublish, on_the_day, public_on
from tests.making import frame

DAY = date(2026, 3, 1)
BASE = {"name": "A (invented)", "latitude": 1.0, "longitude": 2.0, "utc_offset": "-02:00", "licence": "CC0-1.0"}


def _sites(*rows):
    return frame("sites", [BASE | row for row in rows], kept=True)


def _sorted(*rows, day=DAY, asked=None):
    sites = _sites({"site": "open"}, *rows)
    public = public_on(day, sites, [], asked)
    return public.sites, public.closed, public.embargoed


def test_closed_stays_behind_and_blank_access_goes_out():
    """A site without a word about access is public once it has a licence; a closed one never is."""
    assert _sorted({"site": "shut", "access": "closed", "public_from": "2020-01-01T00:00Z"}) == (
        ("open",), ("shut",), (),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("public_from", "day", "out"),
    [
        ("2026-03-01T00:00-02:00", date(2026, 2, 28), False),
        ("2026-03-01T00:00-02:00", date(2026, 3, 1), True),
        ("2026-03-01T00:00:01-02:00", date(2026, 3, 1), False),
        ("2026-03-01T12:00-02:00", date(2026, 3, 2), True),
        (None, date(2099, 1, 1), False),
    ],
)
def test_an_embargo_ends_with_the_first_day_that_begins_after_it(public_from, day, out):
    """The day counts from its beginning in the site's standard time; an embargo without an end does not end."""
    sites, _, embargoed = _sorted({"site": "late", "access": "embargoed", "public_from": public_from}, day=day)
    assert ("late" in sites, "late" in embargoed) == (out, not out)


def test_a_date_to_come_holds_back_whatever_access_says():
    """An open site that is public only from next month is not public yet."""
    assert _sorted({"site": "soon", "access": "open", "public_from": "2026-04-01T00:00Z"})[2] == ("soon",)


def test_the_day_begins_when_it_begins_at_the_site():
    """Of two sites with one public_from, midnight in UTC, only the one east of it is not public on that day yet."""
    row = {"access": "embargoed", "public_from": "2026-03-01T00:00Z"}
    sites, _, embargoed = _sorted(
        {"site": "east", "utc_offset": "+01:00"} | row, {"site": "west", "utc_offset": "-01:00"} | row
    )
    assert ("west" in sites, "east" in embargoed) == (True, True)


def test_the_description_that_holds_on_the_day_decides():
    """A later description neither opens nor closes a site before its day."""
    rows = _sites(
        {"site": "a", "access": "open"},
        {"site": "a", "valid_from": "2026-03-01T00:00-02:00", "access": "closed"},
        {"site": "b", "valid_from": "2030-01-01T00:00Z", "access": "closed"},
    )
    assert on_the_day(rows, date(2026, 2, 28))["access"].tolist() == ["open", "closed"]
    assert on_the_day(rows, date(2026, 3, 1))["access"].tolist() == ["closed", "closed"]


@pytest.mark.parametrize("licence", [None, "  ", "NONE", "NOASSERTION", "not stated"])
def test_without_a_licence_nothing_goes_out_and_the_sites_are_named(licence):
    """Every public site needs one; words that name no licence are none."""
    with pytest.raises(CannotPublish, match=r"found none for bare, naked; nothing was published"):
        _sorted({"site": "naked", "licence": licence}, {"site": "bare", "licence": licence})


def test_a_site_that_stays_behind_needs_no_licence():
    """A closed site without a licence stops nothing, nor does one that was not asked for."""
    assert _sorted({"site": "shut", "access": "closed", "licence": None})[0] == ("open",)
    assert _sorted({"site": "bare", "licence": None}, asked=["open"])[0] == ("open",)


def test_nothing_public_is_an_error_that_counts():
    """Where all is closed or under embargo there is no bag."""
    rows = _sites({"site": "a", "access": "closed"}, {"site": "b", "access": "embargoed"})
    with pytest.raises(CannotPublish, match=r"public on 2026-03-01, found 1 closed and 1 embargoed"):
        public_on(DAY, rows, [])


@pytest.mark.parametrize(("known", "asked"), [((), ["nowhere"]), (["nowhere"], None)])
def test_a_site_outside_the_register_is_named(known, asked):
    """Nobody can say whether an unregistered site is public."""
    with pytest.raises(CannotPublish, match="found none for nowhere"):
        public_on(DAY, _sites({"site": "a"}), known, asked)
