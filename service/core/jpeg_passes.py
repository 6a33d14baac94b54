"""How many passes a JPEG makes a decoder do, read from its bytes without decoding anything.

A progressive JPEG comes in about ten passes over the picture. One made to keep a decoder busy has hundreds:
300 passes of 39.7 million pixels fit into 174 kB and took 19 s to decode on the machine this was written on.
"""

PASSES_MAX = 30

_START_OF_IMAGE = b"\xff\xd8"
_START_OF_SCAN = b"\xff\xda"  # ITU-T T.81, table B.1; never occurs inside entropy-coded data


def has_too_many_passes(image_bytes: bytes) -> bool:
    """Whether a picture is a JPEG of more than `PASSES_MAX` passes; other formats have none.

    Examples
    --------
    >>> has_too_many_passes(b"\\xff\\xd8" + b"\\xff\\xda" * 31), has_too_many_passes(b"\\xff\\xd8\\xff\\xda")
    (True, False)
    """
    return image_bytes.startswith(_START_OF_IMAGE) and image_bytes.count(_START_OF_SCAN) > PASSES_MAX
