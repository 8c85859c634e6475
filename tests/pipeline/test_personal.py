import json

import pytest

from pipeline.fields import FIELDS
from pipeline.personal import is_personal_header, without_personal


@pytest.mark.parametrize(
    "header",
    ["Author", "contributor", "Owner", "Driver name", "E-Mail", "Fahrer", "propriétaire", "Correo", "VIN", "last name", "氏名"],
)
def test_headers_under_which_a_person_stands(header: str) -> None:
    assert is_personal_header(header)


def test_fields_of_the_dictionary_say_it_themselves() -> None:
    for name, field in FIELDS.items():
        assert is_personal_header(name) == field.personal, name


@pytest.mark.parametrize("header", ["Motor", "Power (hp)", "Boost psi", "Plenum", "gearing", "Potencia (CV)", "Notes"])
def test_headers_of_engines_are_kept(header: str) -> None:
    assert not is_personal_header(header)


def test_a_row_loses_only_those_cells() -> None:
    row = json.dumps({"Motor": "Alder", "Owner": "J. Doe", "hp": "200"})
    assert json.loads(without_personal(row) or "") == {"Motor": "Alder", "hp": "200"}
    assert without_personal(json.dumps({"owner": "J. Doe"})) is None
    assert without_personal(None) is None
    untouched = '{"Motor":  "kept to the letter"}'
    assert without_personal(untouched) == untouched
