"""Goal: the bytes that row hashes and leaves cover are RFC 8785 (JCS) bytes.

Method: the journal writes them with the standard library's encoder, because it is faster; here they are compared with
those of the rfc8785 package for any text in any column.
"""

import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from service.journal.entry import canonical_row

# Lone surrogates are no Unicode text: both engines refuse them, and so do both encoders.
TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,20}", fullmatch=True)


@given(NAMES, st.dictionaries(NAMES, TEXTS))
def test_rows_are_written_as_rfc_8785_says(table: str, row: dict[str, str]):
    assert canonical_row(table, row) == rfc8785.dumps({"table": table, "row": row})
