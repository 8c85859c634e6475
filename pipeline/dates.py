"""Dates as contributors write them, without guessing.

ISO comes first; dots mean day first; a month's name decides by itself; ``06/12/2024`` does not say which number is
the month and is a problem, unless one of the two is above twelve or both are equal.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from pipeline.code_words import code_words, is_missing
from pipeline.words import LONGEST, fold_words

#: A dynamometer test before the first car or after this century is a misread number.
EARLIEST_YEAR, LATEST_YEAR = 1885, 2099
#: First years of the Japanese eras less one.
_ERAS = {"令和": 2018, "平成": 1988, "昭和": 1925}

_TIME = re.compile(r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*(Z|UTC|[ap]m|[+-]\d{2}:?\d{2})?$", re.IGNORECASE)
_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})(?:[-/.](\d{1,2}))?")
_COMPACT = re.compile(r"((?:19|20)\d{2})(\d{2})(\d{2})")
_YEAR_LAST = re.compile(r"(\d{1,2})\s*([-/.])\s*(\d{1,2})\s*\2\s*(\d{4})")
_MONTH_LAST = re.compile(r"(\d{1,2})[-/.](\d{4})")
_JAPANESE = re.compile(r"(?:(令和|平成|昭和)\s*(\d{1,2}|元)|(\d{4}))\s*年(?:\s*(\d{1,2})\s*月(?:\s*(\d{1,2})\s*日)?)?")
_ORDINAL = re.compile(r"(?<=\d)(st|nd|rd|th|er|re|e|o|a)\b", re.IGNORECASE)
_FILLERS = frozenset({"of", "de", "del", "do", "the", "le", "den", "am", "el", "em", "du"})
_WEEKDAY = re.compile(r"^(mon|tue|wed|thu|fri|sat|sun)[a-z]*,?\s+", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class DateReading:
    """One date.

    Attributes
    ----------
    day : the date, the first day of a month or year given alone, or None.
    precision : "day", "month", "year" or None.
    problem : None, "date_unreadable" or "ambiguous_date".
    """

    day: date | None
    precision: str | None = None
    problem: str | None = None


MISSING_DATE = DateReading(None)
UNREADABLE = DateReading(None, problem="date_unreadable")
AMBIGUOUS = DateReading(None, problem="ambiguous_date")


@lru_cache(maxsize=65536)
def read_date(text: str) -> DateReading:
    """The date that one cell gives.

    Parameters
    ----------
    text : the cell as contributed: ``2024-06-12``, ``2024-06``, ``2024``, ``12.06.2024``, ``12 June 2024``,
        ``June 12, 2024``, ``2024年6月12日``, ``令和6年6月12日``; a time of day after it is left out.
    """
    if is_missing(text) or len(text) > LONGEST:
        return MISSING_DATE if is_missing(text) else UNREADABLE
    plain = _WEEKDAY.sub("", _TIME.sub("", unicodedata.normalize("NFKC", text).strip()).strip())
    return _read_numbers(plain) or _read_japanese(plain) or _read_named_month(plain) or UNREADABLE


def _made(year: int, month: int | None = None, day: int | None = None) -> DateReading:
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        return UNREADABLE
    try:
        made = date(year, 1 if month is None else month, 1 if day is None else day)
    except ValueError:
        return UNREADABLE
    return DateReading(made, "year" if month is None else "month" if day is None else "day")


def _read_numbers(plain: str) -> DateReading | None:
    if re.fullmatch(r"[0-9]{4}", plain):
        return _made(int(plain))
    if match := _YEAR_FIRST.fullmatch(plain):
        year, month, day = match.groups()
        return _made(int(year), int(month), int(day) if day else None)
    if match := _COMPACT.fullmatch(plain):
        return _made(*(int(each) for each in match.groups()))
    if match := _MONTH_LAST.fullmatch(plain):
        return _made(int(match[2]), int(match[1]))
    if match := _YEAR_LAST.fullmatch(plain):
        return _read_year_last(int(match[1]), match[2], int(match[3]), int(match[4]))
    return None


def _read_year_last(first: int, mark: str, second: int, year: int) -> DateReading:
    if mark == "." or first == second or first > 12:
        return _made(year, second, first)
    return _made(year, first, second) if second > 12 else AMBIGUOUS


def _read_japanese(plain: str) -> DateReading | None:
    match = _JAPANESE.fullmatch(plain)
    if match is None:
        return None
    era, era_year, year, month, day = match.groups()
    number = int(year) if year else _ERAS[era] + (1 if era_year == "元" else int(era_year))
    return _made(number, int(month) if month else None, int(day) if day else None)


def _read_named_month(plain: str) -> DateReading | None:
    months = code_words("month").codes
    tokens = [token for token in fold_words(_ORDINAL.sub("", plain)).split() if token not in _FILLERS]
    if not all(token in months or (token.isascii() and token.isdigit()) for token in tokens):
        return None
    names = [token for token in tokens if token in months]
    numbers = [token for token in tokens if token not in months]
    years = [int(token) for token in numbers if len(token) == 4]
    days = [int(token) for token in numbers if len(token) <= 2]
    if len(names) != 1 or len(years) != 1 or len(days) > 1 or len(numbers) != len(years) + len(days):
        return None
    return _made(years[0], int(months[names[0]]), days[0] if days else None)
