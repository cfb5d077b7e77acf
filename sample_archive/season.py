"""The invented season's calendar: who gauged what and when, and what was unlike the habit. Computes nothing."""

from __future__ import annotations

from sample_archive.field import Plan

CREEK, LOWLAND, MILL, WINTER = "INV-KES", "INV-ORM", "INV-MIL", "INV-WIN"

FIRST_PARTY = (
    Plan("P1-01", CREEK, "2024-10-09T09:10", header={"control_condition": "clear", "field_quality": "good"}),
    Plan("P1-02", WINTER, "2024-10-09T13:30", header={"control_condition": "leaves on the control"}),
    Plan("P1-03", CREEK, "2024-11-13T09:05", header={"field_quality": "good"}),
    Plan("P1-04", WINTER, "2024-11-13T13:20", header={"field_quality": "good"}),
    Plan("P1-05", CREEK, "flood 1 11:25", minutes=70, header={"remarks": "rising; bank to bank in one go"}),
    Plan("P1-06", WINTER, "2025-01-15T10:00", snr_db=8.0, header={"remarks": "very clear water; no ice"}),
    Plan("P1-07", CREEK, "2025-02-12T09:20", odd_thing="eddy", header={"field_quality": "good", "weather": "dry"}),
    Plan("P1-08", WINTER, "2025-02-12T13:10", header={"field_quality": "good", "weather": "drizzle"}),
)
FIRST_PARTY_LATER = (
    Plan("P1-09", CREEK, "2025-03-19T09:00", header={"field_quality": "good"}),
    Plan("P1-10", WINTER, "2025-04-16T10:20", header={"field_quality": "fair", "remarks": "snow melt; strong flow"}),
)
SECOND_PARTY = (
    Plan("P2-101", CREEK, "2024-10-23T10:15", header={"sheet_number": "101", "field_quality": "good"}),
    Plan("P2-102", LOWLAND, "2024-10-24T10:00", minutes=75, header={"sheet_number": "102"}),
    Plan("P2-103", WINTER, "2024-11-20T09:40", header={"sheet_number": "103", "field_quality": "good"}),
    Plan("P2-104", LOWLAND, "2024-12-04T10:30", minutes=75, header={"sheet_number": "104"}),
    Plan("P2-105", CREEK, "2025-01-08T11:00", header={"sheet_number": "105"}),
    Plan("P2-106", WINTER, "2025-01-29T13:00", header={"sheet_number": "106", "field_quality": "fair"}),
    Plan("P2-107", LOWLAND, "2025-02-19T10:00", minutes=80, in_utc=True, header={"sheet_number": "107"}),
    Plan("P2-108", WINTER, "2025-05-07T09:30", header={"sheet_number": "108", "field_quality": "good"}),
)
THIRD_PARTY = (
    Plan("Race 1", MILL, "2024-10-15T08:30", minutes=35, walls="given"),
    Plan("Race 2", MILL, "2024-11-19T08:40", minutes=35, walls="ratio"),
    Plan("Race 3", MILL, "2024-12-17T09:00", minutes=40),
    Plan("Race 4", MILL, "2025-01-21T09:15", minutes=35, walls="ratio"),
    Plan("Race 5", MILL, "2025-02-18T08:50", minutes=35, verticals=11, walls="given"),
    Plan("Race 6", MILL, "2025-04-15T08:30", minutes=40),
    Plan("Race 7", MILL, "2025-05-20T08:30", minutes=35, walls="ratio", odd_thing="slip of the pen"),
    Plan(
        "Race 8",
        MILL,
        "2025-07-15T08:20",
        minutes=30,
        verticals=9,
        odd_thing="held higher",
        header={"remarks": "weed on the bed"},
    ),
    Plan("Race 9", MILL, "2025-08-19T08:30", minutes=35, walls="given"),
)
FOURTH_PARTY = (
    Plan("ORM-a", LOWLAND, "2024-10-30T09:30", minutes=120, header={"visit": "V1", "field_quality": "excellent"}),
    Plan("ORM-b", LOWLAND, "2024-11-27T09:20", minutes=120, many_points="two", odd=True, header={"visit": "V2"}),
    Plan("ORM-c", LOWLAND, "2025-01-22T09:10", minutes=130, angles="along", header={"visit": "V3"}),
    Plan("ORM-d", LOWLAND, "2025-03-05T09:00", minutes=75, many_points="two", header={"visit": "V4"}),
    Plan(
        "ORM-e",
        LOWLAND,
        "2025-03-05T10:40",
        minutes=75,
        many_points="two",
        walked="back",
        header={"visit": "V4", "check_of": "ORM-d", "remarks": "the same section once more, walked back"},
    ),
    Plan("ORM-f", LOWLAND, "2025-04-09T09:00", minutes=110, angles="normal", header={"visit": "V5"}),
    Plan(
        "ORM-g",
        LOWLAND,
        "2025-05-14T09:00",
        minutes=120,
        many_points="three",
        odd_thing="meter fouled",
        header={"visit": "V6"},
    ),
    Plan("KES-h", CREEK, "2025-06-11T09:00", minutes=60, repeats=True, header={"visit": "V7", "field_quality": "good"}),
    Plan(
        "ORM-i",
        LOWLAND,
        "2025-08-06T08:40",
        minutes=110,
        many_points="three",
        reads=("before", "during"),
        header={"visit": "V8"},
    ),
)
FIFTH_PARTY = (
    Plan("24/1", WINTER, "2024-10-16T10:00", minutes=60, own_result=1.0, header={"field_quality": "good"}),
    Plan("24/2", LOWLAND, "2024-11-06T09:30", minutes=80, walked="late"),
    Plan("24/3", CREEK, "2024-12-11T10:00", minutes=55, own_result=1.05, repeats=True),
    Plan("25/1", WINTER, "2025-02-05T10:10", minutes=60, walked="late"),
    Plan("25/2", WINTER, "2025-03-12T10:00", minutes=60, header={"section_method": "mid-section"}),
    Plan("25/3", LOWLAND, "2025-06-04T09:10", minutes=80),
    Plan("25/4", WINTER, "2025-07-09T09:00", minutes=55, repeats=True, header={"field_quality": "good"}),
    Plan("25/5", CREEK, "2025-05-21T09:00", minutes=50),
)
SIXTH_PARTY = (
    Plan("S-1", CREEK, "2025-04-03T16:00", minutes=25, verticals=8, exposure_s=20.0),
    Plan("S-2", WINTER, "2025-05-28T15:10", minutes=30, snr_db=6.0, reads=("long before",)),
    Plan("S-3", CREEK, "2025-06-18T16:00", minutes=30, wide_gap=True, reads=()),
    Plan("S-4", WINTER, "2025-06-25T15:00", minutes=30, verticals=6, gauge="recorder", reads=("before", "after")),
    Plan(
        "S-5",
        LOWLAND,
        "flood 9 12:40",
        minutes=30,
        instrument="INV-MB1",
        handed_in="moving-boat profiler",
        reads=("before", "after"),
        header={"result_by": "the profiler's own program", "remarks": "too deep and fast to wade"},
    ),
    Plan(
        "S-6",
        CREEK,
        "flood 11 13:30",
        minutes=15,
        handed_in="float",
        reads=("before", "after"),
        header={"result_by": "INV-P6", "field_quality": "poor", "remarks": "ten floats over 20 m"},
    ),
    Plan("S-7", WINTER, "2025-08-13T15:00", minutes=30, odd_thing="edge forgotten", header={"field_quality": "fair"}),
    Plan(
        "S-8",
        CREEK,
        "2025-09-10T15:00",
        minutes=5,
        handed_in="observed zero",
        header={"remarks": "pools only; no flow over the riffle"},
    ),
    Plan(
        "S-9",
        CREEK,
        "2025-09-24T15:30",
        minutes=5,
        handed_in="observed zero",
        header={"remarks": "pools only"},
    ),
)
MISTAKEN = tuple(
    Plan(f"M-{number:02d}", CREEK, f"2025-{month}-{day:02d}T09:00", minutes=30, verticals=22)
    for number, (month, day) in enumerate(
        [("03", d) for d in (3, 4, 6, 10, 11, 13, 17)] + [("04", d) for d in (1, 3, 7, 10, 14, 22)], 1
    )
)
"""Gaugings of one good day each; ``mistakes`` spoils all but the last."""
TWICE_MEASURED = (
    Plan("T-1", WINTER, "2025-05-05T10:00", minutes=40),
    Plan("T-2", CREEK, "2025-05-06T10:00", minutes=40),
)
FOREIGN = (Plan("U-1", CREEK, "2025-05-08T10:00", minutes=40, header={"remarks": "trüb"}),)
