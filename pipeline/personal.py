"""What may name a person in contributed text that no field of the dictionary describes.

Fields marked personal are left out of exports by name. A file may hold more: a column that was kept as text, or a
refused row, under a header such as "owner" or "Kennzeichen". Those are found by the words of their headers. Free text
(a note, a citation) is not searched: nobody can tell a name from an engine's by its letters.
"""

from __future__ import annotations

import json
from functools import lru_cache

from pipeline.fields import FIELDS
from pipeline.header_reading import read_header
from pipeline.words import fold_words

#: Folded words of a header under which a person, or what leads to one, is to be expected.
_PERSON_WORDS = """
author contributor owner owners driver drivers operator tester tuner customer client person contact email mail phone
telephone tel mobile address surname firstname lastname familyname fullname forename username user nickname handle vin plate registration
autor besitzer halter fahrer prufer kunde telefon handynummer anschrift adresse vorname nachname kennzeichen fahrgestellnummer
propietario dueno piloto conductor cliente telefono correo direccion apellido matricula
auteur proprietaire conducteur pilote telephone courriel prenom plaque immatriculation
proprietario condutor motorista telefone endereco sobrenome placa
氏名 名前 所有者 電話 住所 メール 連絡先 担当者 著者
"""
PERSON_WORDS = frozenset(_PERSON_WORDS.split())


@lru_cache(maxsize=8192)
def is_personal_header(header: str) -> bool:
    """Whether a column of this header is to be expected to name a person."""
    field = read_header(header).field
    if field is not None:
        return FIELDS[field].personal
    words = fold_words(header).split()
    return bool(PERSON_WORDS & {*words, "".join(words)})


def without_personal(row: str | None) -> str | None:
    """A row as JSON text (header -> cell) without the cells of personal headers; None where nothing is left."""
    if row is None:
        return None
    cells = json.loads(row)
    kept = {header: cell for header, cell in cells.items() if not is_personal_header(header)}
    if len(kept) == len(cells):
        return row
    return json.dumps(kept, ensure_ascii=False) if kept else None
