"""Number plates as people write them: the same plate in several spellings."""

import unicodedata


def plain_plate(written: str) -> str:
    """Letters and digits of a plate alone, so that two spellings of one plate are equal.

    Spaces, hyphens, dots and case say nothing about which truck it is, and everybody writes them differently.
    Look-alikes (O and 0) are kept apart: on a plate both occur.

    Returns
    -------
    empty if the text holds no letter and no digit; such a text names no truck.

    Examples
    --------
    >>> plain_plate("AB-12 cd") == plain_plate("ab12CD") == plain_plate("A.B.-12·CD")
    True
    >>> plain_plate("Ö 4711"), plain_plate("ａｂ１２"), plain_plate(" - ")
    ('Ö4711', 'AB12', '')
    """
    # NFKC: full-width letters and a letter with a separate accent are the same letters.
    normal = unicodedata.normalize("NFKC", written).upper()
    return "".join(character for character in normal if character.isalnum())
