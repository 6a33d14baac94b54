"""Times as they are reported at the gate: nothing is recorded as done before it was."""

from datetime import datetime

from service.db import utc_text
from service.errors import Findings
from service.journal.entry import Entry
from service.lots.lines import CLOCK_SKEW


def refuse_future(entry: Entry, *reported: tuple[str, datetime | None]) -> None:
    """Refuse moments later than now, but for the minutes by which clocks of scales and servers differ.

    Parameters
    ----------
    reported : JSON pointer of each field with its moment; None counts as not given.

    Raises
    ------
    Unacceptable : a moment lies in the future; all of them are named.
    """
    findings = Findings()
    for pointer, moment in reported:
        if moment is not None and moment > entry.now + CLOCK_SKEW:
            findings.add(
                pointer,
                f"{utc_text(moment)} lies in the future; it is {utc_text(entry.now)}",
                "Check date, hour and offset, and the clock of the device that sent it.",
            )
    findings.refuse_if_any(code="time-in-future", detail="What has not happened yet cannot be recorded.")
