"""How far an interval narrows as builds are added: by builds of new publishers, and by builds of the study's largest one."""

from __future__ import annotations

import numpy as np

from models.build_sums import Floats
from models.estimate import Estimate
from models.joint_fit import JointFit
from models.next_designs import PLANS, Reach, plan_grams
from models.next_information import Information, added, fall_of_sd
from models.next_records import Narrowing

#: Numbers of further builds for which the width is told.
BUILDS = (1, 2, 3, 5, 10, 20, 40)


def narrowing_of(
    fit: JointFit, info: Information, row: Floats, reach: Reach, at: Floats, known: Estimate
) -> tuple[Narrowing, ...]:
    """Half-width of the interval of ``row @ theta`` today and after so many further builds; empty where there is no interval.

    Parameters
    ----------
    fit, info : the study and its information; row : (k,) the contrast; reach : boost that the tests count with.
    at : (p,) covariates of the builds that would be tested.
    known : the answer as it stands.

    Notes
    -----
    Of the plans the one that narrows most is taken, apart for each kind of publisher and number of builds. Spreads and the
    interval's degrees of freedom are held, so what new publishers bring beside their builds (more degrees of freedom) comes on top.
    """
    if known.low is None or known.high is None:
        return ()
    today = (known.high - known.low) / 2.0
    grams = plan_grams(fit, PLANS, reach.top_kpa)
    design = np.tile(at, (len(PLANS), 1))
    largest = int(np.argmax(np.bincount(fit.publisher_index)))
    made = [Narrowing(0, today, today)]
    for builds in BUILDS:
        new, own = (
            float(fall_of_sd(info, added(info, grams, design, publisher, builds), row).max()) for publisher in (None, largest)
        )
        made.append(Narrowing(builds, today * (1.0 - new), today * (1.0 - own)))
    return tuple(made)
