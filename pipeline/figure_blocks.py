"""By which figures builds are worth comparing: keys, of which like builds share one. Never all against all.

Figures are laid into bins; a figure covers every bin that its printed digits touch, so that two figures which agree
within their digits always meet in one. A key of several bins is shared by few builds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

#: Equal after conversion: two printings of one figure differ by floating point only.
POWER_TOLERANCE_KW = 0.02
BOOST_TOLERANCE_KPA = 0.02
#: Width of the bins in which equal figures must meet: wide beside the tolerance, so that most touch one bin only.
EXACT_WIDTH = 0.5
#: Widths for figures that agree within their digits: a whole kW or hp, a whole psi.
POWER_WIDTH_KW = 1.0
BOOST_WIDTH_KPA = 7.0
#: Width for boosted over unboosted power; two standards put a power apart by at most this share (natural logarithm).
RATIO_WIDTH, STANDARDS_APART = 0.01, 0.1
#: Bits of a packed key that hold the number of its build, which leaves room for 16 million builds.
NUMBER_BITS = np.uint64(24)
_HASH = ~((np.uint64(1) << NUMBER_BITS) - np.uint64(1))
#: Boosted runs of a build that are laid into keys of two: the lowest ones (a table prints fewer).
MOST_LEVELS = 8

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Unsigned = npt.NDArray[np.uint64]
#: Keys of builds, each packed with the number of its build.
Packed = Unsigned


def half_step(step: str, tolerance: float) -> pl.Expr:
    """Half the last printed digit; the tolerance where the digit is not known."""
    return pl.col(step).fill_null(0.0) / 2 + tolerance


def pack(key: Unsigned, number: Places) -> Packed:
    """A hash and a build's number in one integer: the hash gives up its last bits."""
    packed = key & _HASH
    packed |= number.view(np.uint64)
    return packed


@dataclass(frozen=True, slots=True)
class Rows:
    """Figures of some runs by the number of their build, in its order; unknown steps are 0."""

    number: Places
    power_kw: Floats
    power_step_kw: Floats
    boost_kpa: Floats
    boost_step_kpa: Floats

    def at(self, places: Places | npt.NDArray[np.bool_]) -> Rows:
        """Some of the rows."""
        return Rows(*(getattr(self, name)[places] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class Figures:
    """What keys are made of.

    Attributes
    ----------
    base, boosted : baselines and boosted runs.
    steps : places of each boosted run and of each baseline of its build.
    twos : places of each two boosted runs of a build, the lower boost first.
    """

    base: Rows
    boosted: Rows
    steps: tuple[Places, Places]
    twos: tuple[Places, Places]


@dataclass(frozen=True, slots=True)
class Cells:
    """The bins that figures touch: the lower one, and how far above it the other one lies: mostly 0, that is, there is none."""

    low: Unsigned
    above: npt.NDArray[np.uint8]

    def at(self, places: Places) -> Cells:
        """Those of some figures."""
        return Cells(self.low[places], self.above[places])


def figures_of(runs: pl.DataFrame) -> Figures:
    """The figures of runs: number, role, power_kw, power_step_kw, boost_kpa, boost_step_kpa; runs without power leave."""
    names = Rows.__slots__
    every = Rows(*(runs[name].cast(pl.Int64 if name == "number" else pl.Float64).to_numpy() for name in names))
    every = Rows(
        every.number, every.power_kw, np.nan_to_num(every.power_step_kw), every.boost_kpa, np.nan_to_num(every.boost_step_kpa)
    )
    is_there = every.power_kw > 0
    is_boosted = is_there & (runs["role"] == "boosted").to_numpy() & np.isfinite(every.boost_kpa)
    base = _in_order(every.at(is_there & (runs["role"] == "baseline").to_numpy()), with_boost=False)
    boosted = _in_order(every.at(is_boosted))
    return Figures(base, boosted, each_with(boosted.number, base.number), _two_levels(boosted))


def _in_order(rows: Rows, with_boost: bool = True) -> Rows:
    """Rows by build; those of a build of many each once, the lowest boost first."""
    rows = rows.at(order_of(rows.number))
    _, sizes = _groups(rows.number)
    is_long = np.repeat(sizes > MOST_LEVELS, sizes)
    if not is_long.any():
        return rows
    long = rows.at(is_long)
    keys = (
        (long.power_step_kw, long.boost_step_kpa, long.power_kw, long.boost_kpa)
        if with_boost
        else (long.power_step_kw, long.power_kw)
    )
    long = long.at(np.lexsort((*keys, long.number)))
    columns = [long.number, *((long.boost_kpa, long.boost_step_kpa) if with_boost else ()), long.power_kw, long.power_step_kw]
    is_new = np.ones(len(long.number), dtype=bool)
    is_new[1:] = np.any([column[1:] != column[:-1] for column in columns], axis=0)
    both = [np.concatenate([getattr(part, name) for part in (rows.at(~is_long), long.at(is_new))]) for name in Rows.__slots__]
    return Rows(*both).at(order_of(both[0]))


def _groups(ordered: npt.NDArray[np.int64]) -> tuple[Places, Places]:
    """Where runs of equal numbers start, and how long they are."""
    starts = np.flatnonzero(np.concatenate([np.ones(min(1, len(ordered)), dtype=bool), ordered[1:] != ordered[:-1]]))
    return starts, np.diff(starts, append=len(ordered))


def order_of(numbers: Places) -> Places:
    """The order of numbers below 2^32, equal ones as they come; NumPy's own way takes three times as long."""
    if bool(np.all(numbers[1:] >= numbers[:-1])):
        return np.arange(len(numbers))
    return np.sort(numbers << 32 | np.arange(len(numbers))) & (1 << 32) - 1


def spread(starts: Places, sizes: Places) -> tuple[Places, Places]:
    """Places of ranges, one range after another: which range, and the place."""
    which = np.repeat(np.arange(len(sizes)), sizes)
    return which, np.arange(len(which)) + (starts - (np.cumsum(sizes) - sizes))[which]


def each_with(number: Places, ordered: Places) -> tuple[Places, Places]:
    """Places in both of all combinations with equal numbers."""
    starts = np.searchsorted(ordered, number)
    return spread(starts, np.searchsorted(ordered, number, side="right") - starts)


def _two_levels(boosted: Rows) -> tuple[Places, Places]:
    starts, sizes = _groups(boosted.number)
    build, at = spread(starts, np.minimum(sizes, MOST_LEVELS))
    ends = (starts + np.minimum(sizes, MOST_LEVELS))[build]
    which, other = spread(at + 1, ends - at - 1)
    one, boost = at[which], boosted.boost_kpa
    is_lower = boost[one] < boost[other]
    low, high = np.where(is_lower, one, other), np.where(is_lower, other, one)
    differ = boost[low] != boost[high]
    return low[differ], high[differ]


def _cells(values: Floats, half: Floats | float, width: float) -> Cells:
    """The bins that figures cover with so much to either side."""
    half = np.minimum(half, width / 2)
    low = np.floor((values - half) * (1 / width))
    above = np.floor((values + half) * (1 / width)) - low
    return Cells(low.astype(np.int64).view(np.uint64), above.astype(np.uint8))


def _mixed(key: Unsigned) -> Unsigned:
    """A hash of integers, in their place (Steele, Lea and Flood 2014, doi 10.1145/2660193.2660195: the mixer of SplitMix)."""
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        key ^= key >> np.uint64(shift)
        key *= np.uint64(factor)
    key ^= key >> np.uint64(31)
    return key


#: A factor for each bin of a key, odd and without a pattern: sums of different bins differ.
_FACTORS = _mixed(np.arange(1, 9, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)) | np.uint64(1)


def _keyed(number: Places, look: int, *cells: Cells, words: Unsigned | None = None) -> Packed:
    """A key for each combination of bins that a row covers, packed with the number of its build.

    Parameters
    ----------
    number : of the build of each row.
    look : keys of different looks never meet.
    cells : of each row.
    words : what enters the key of each row as it is.
    """
    key = np.full(len(number), look * int(_FACTORS[-1]) & (1 << 64) - 1, dtype=np.uint64)
    if words is not None:
        key += words
    row = np.arange(len(number))
    for one, factor in zip(cells, _FACTORS, strict=False):
        key += one.low * factor
    for one, factor in zip(cells, _FACTORS, strict=False):
        # most figures touch one bin; only those that touch two make a second key; two keys on one hash only add a pair
        above = one.above[row]
        second = np.flatnonzero(above)
        key = np.concatenate([key, key[second] + above[second] * factor])
        row = np.concatenate([row, row[second]])
    return pack(_mixed(key), number[row])


def exact_keys(figures: Figures) -> Packed:
    """Keys that builds share which have a baseline and a boosted run equal to the digit."""
    boosted, base = figures.steps
    power, boost = _equal(figures.boosted.power_kw), _equal(figures.boosted.boost_kpa)
    cells = _equal(figures.base.power_kw).at(base), boost.at(boosted), power.at(boosted)
    return _keyed(figures.boosted.number[boosted], 0, *cells)


def _equal(values: Floats) -> Cells:
    """Cells for figures that must be equal."""
    return _cells(values, max(POWER_TOLERANCE_KW, BOOST_TOLERANCE_KPA), EXACT_WIDTH)


def _rounded(values: Floats, step: Floats, width: float) -> Cells:
    """Cells for figures that must agree within their printed digits."""
    return _cells(values, step / 2 + POWER_TOLERANCE_KW, width)


def near_keys(figures: Figures, tokens: pl.DataFrame) -> Packed:
    """Keys that builds share which have enough figures in common, or fewer and something about the engine, to be looked at closely.

    Parameters
    ----------
    figures : of the builds.
    tokens : number (in order), token, is_name: what a build says about its engine, as a number that equal engines share.
    """
    base, boosted = figures.base, figures.boosted
    (step, step_base), (low, high) = figures.steps, figures.twos
    three, three_base = each_with(boosted.number[low], base.number)
    number, token, is_name = tokens["number"].cast(pl.Int64).to_numpy(), tokens["token"].to_numpy(), tokens["is_name"].to_numpy()
    named, name = number[is_name], token[is_name]

    base_digits = _rounded(base.power_kw, base.power_step_kw, POWER_WIDTH_KW)
    power_digits = _rounded(boosted.power_kw, boosted.power_step_kw, POWER_WIDTH_KW)
    boost_digits = _rounded(boosted.boost_kpa, boosted.boost_step_kpa, BOOST_WIDTH_KPA)
    base_equal, power_equal, boost_equal = (_equal(v) for v in (base.power_kw, boosted.power_kw, boosted.boost_kpa))

    made = []
    of_step = boosted.number[step]
    row, word = each_with(of_step, number)
    at, at_base = step[row], step_base[row]
    made.append(_keyed(of_step[row], 1, base_digits.at(at_base), boost_digits.at(at), power_digits.at(at), words=token[word]))
    one, other = low[three], high[three]
    twice = boost_digits.at(one), boost_digits.at(other)
    made.append(_keyed(boosted.number[one], 2, base_digits.at(three_base), *twice, power_digits.at(one), power_digits.at(other)))
    two = boost_equal.at(low), boost_equal.at(high), power_equal.at(low), power_equal.at(high)
    made.append(_keyed(boosted.number[low], 3, *two))
    row, word = each_with(of_step, named)
    at, at_base = step[row], step_base[row]
    made.append(_keyed(of_step[row], 4, base_equal.at(at_base), boost_equal.at(at), words=name[word]))
    made.append(_keyed(of_step[row], 5, base_equal.at(at_base), power_equal.at(at), words=name[word]))
    row, word = each_with(boosted.number, named)
    made.append(_keyed(boosted.number[row], 6, boost_equal.at(row), power_equal.at(row), words=name[word]))
    row, word = each_with(boosted.number[one], number)
    size, digit = base.power_kw[three_base], base.power_step_kw[three_base] / 2 / base.power_kw[three_base]
    cells = [*twice, _cells(np.log(size), STANDARDS_APART / 2, STANDARDS_APART)]
    for power in (boosted.power_kw[one], boosted.power_kw[other]):
        cells.append(_cells(power / size, digit * (1 + power / size) + 1e-4, RATIO_WIDTH))
    made.append(_keyed(boosted.number[one][row], 7, *(c.at(row) for c in cells), words=token[word]))
    return np.concatenate(made)
