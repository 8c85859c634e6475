"""Numbers inside recorded sentences follow the reader's units."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.quantities_in_text import in_reader_units


@pytest.mark.parametrize(
    ("text", "us", "si"),
    [
        ("A loss of 3.5 psi on the way.", "A loss of 3.5 psi on the way.", "A loss of 24 kPa on the way."),
        (
            "Air pressure was recorded (97.2 kPa).",
            "Air pressure was recorded (14.1 psi).",
            "Air pressure was recorded (97.2 kPa).",
        ),
        ("An engine of 70 to 80 hp", "An engine of 70 to 80 hp", "An engine of 52 to 60 kW"),
        ("only 3 to 5 hp per psi", "only 3 to 5 hp per psi", "only 0.32 to 0.54 kW per kPa"),
        ("The last psi at 15 psi", "The last psi at 15 psi", "The last kPa at 103 kPa"),
        ("moves by +100 rpm", "moves by +100 rpm", "moves by +100 rpm"),
        ("300\u202fkW of it", "402\u202fhp of it", "300\u202fkW of it"),
        ("12,500 kW", "16\u202f763 hp", "12,500 kW"),
        ("within 10 % of 1; the psig rule, shp", "within 10 % of 1; the psig rule, shp", "within 10 % of 1; the psig rule, shp"),
        ("between -10 and +3 kPa", "between \u22121.5 and +0.4 psi", "between -10 and +3 kPa"),
    ],
)
def test_sentences(text, us, si):
    both = in_reader_units(text)
    assert (both.us, both.si) == (us, si)


@given(st.text())
def test_any_text_passes(text):
    both = in_reader_units(text)
    again = in_reader_units(both.us)
    assert again.us == both.us
