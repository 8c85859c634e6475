"""Why a run is not analysed: every reason once, with its code and its sentence.

The codes are stable; scripts and pages count by them. A run leaves for one reason, the first
that applies in the order of this table for rows judged alone, and the one that came nearest to
a usable pair for rows judged against their baseline.
"""

from __future__ import annotations

#: Code -> sentence, in the order in which a row or a pair is judged.
REASONS: dict[str, str] = {
    # judged on the row alone
    "repeat": "The same test is already counted under another publisher.",
    "nitrous": "Nitrous oxide was injected: its gain is not the gain of boost.",
    "throttled": "The manifold was further below ambient pressure than an open throttle leaves it: the run was throttled.",
    "not_completed": "The run was stopped or failed (knock, heat or damage): its figure is no result.",
    "not_usable": "Power or the air pressure at the dyno is missing or not positive.",
    "stated_rating": "The figure, or that of its only baseline, is a stated rating and not a measurement.",
    "lowest_boost": "A compressor at its lowest boost is no baseline, and this run is one or has no other.",
    "interpolated": "The run was used to find the power at ambient manifold pressure.",
    # judged against the baseline, nearest to usable last
    "no_baseline": "The build has no run without boost.",
    "baseline_left_out": "The build's only run without boost is itself left out.",
    "place_unknown": "Where power was measured is stated for only one of the baseline and the boosted run.",
    "wheel_against_crank": "Baseline and boosted run were measured at different places (crank, hub or wheel).",
    "net_against_gross": "A net rating never pairs with a gross one.",
    "same_spec": "The only baseline is another build of the same specification.",
    "other_dyno": "The only baseline was measured on another dyno.",
    "not_same_session": "Baseline and boosted run are not from one session, and only such pairs were asked for.",
    "correction": "Baseline and boosted run cannot be brought to one correction standard from what is recorded.",
    # baselines without use
    "no_boosted_run": "The build has no boosted run.",
    "boosted_runs_out": "Every boosted run of the build is left out.",
    "better_baseline": "Another baseline of the build stands nearer to its boosted runs.",
    # asked for
    "outside_subset": "The build is outside the part of the data that was asked for.",
}

#: Place of each code in the table: of two failures the later one came nearer to a usable pair.
RANK: dict[str, int] = {code: place for place, code in enumerate(REASONS)}
