"""The fixed standard draws that ranges of offset boost are read from: made once, kept with the model, used by command and page.

Points of a scrambled Sobol sequence (Sobol 1967, Owen 1995; from memory) in place of random numbers: spread evenly, they give
the quantiles of about ten times as many random draws, so that few enough of them can travel with a page.
"""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri, ndtri

#: Number of draws (a power of two, as the sequence wants) and the seed of its scrambling.
DRAWS_LOG2 = 11
SEED = 20_240_611

#: Decimals that are kept of each draw.
DECIMALS = 6

Draw = tuple[float, float, float, float, float]


def standard_draws(degrees_of_freedom: int, log2_draws: int = DRAWS_LOG2, seed: int = SEED) -> tuple[Draw, ...]:
    """Draws of (gain, slope, curvature, growth, dyno figure), each about 0 with scale 1.

    Slope and curvature share one chi-square, which makes them a bivariate t with ``degrees_of_freedom``; the others are
    normal. All five are independent.

    Parameters
    ----------
    degrees_of_freedom : of the curve, 1 or more.
    log2_draws : two to this power draws are made.
    seed : of the scrambling; the same seed gives the same draws.
    """
    from scipy.stats import qmc  # a second to import, and needed here alone

    uniform = np.clip(qmc.Sobol(6, scramble=True, rng=np.random.default_rng(seed)).random_base2(log2_draws), 1e-9, 1 - 1e-9)
    normal = ndtri(uniform[:, :5])
    stretch = np.sqrt(chdtri(degrees_of_freedom, 1.0 - uniform[:, 5]) / degrees_of_freedom)
    normal[:, 1:3] /= np.maximum(stretch, 1e-6)[:, None]
    return tuple((float(a), float(b), float(c), float(d), float(e)) for a, b, c, d, e in np.round(normal, DECIMALS))
