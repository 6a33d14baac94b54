"""What `verify` reports: faults, each with its place and both values, and how much was looked at."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from service.journal.entry import canonical_value

NOTHING = "nothing"

Watch = Callable[[int, int], None]


@dataclass(frozen=True)
class Fault:
    """One place where the record does not agree with itself.

    Parameters
    ----------
    tables : the table concerned; several when one hash covers rows of all of them.
    key : which row or entry, as ``column=value``.
    column : the column, where it is known.
    recorded : what is stored or stated.
    recomputed : what follows from the rest of the record.
    """

    tables: tuple[str, ...]
    key: str
    column: str | None
    recorded: str
    recomputed: str

    @property
    def where(self) -> str:
        return f"{', '.join(self.tables)} {self.key}" + (f", column {self.column}" if self.column else "")

    def __str__(self) -> str:
        return f"{self.where}: recorded {self.recorded}, recomputed {self.recomputed}"


@dataclass
class Report:
    """What was looked at, and every fault found.

    Parameters
    ----------
    watch : told (entries done, entries in all) now and then.
    shares_walked, shares_traced : made lots whose shares were compared with a walk of their own, or with the exact one;
        `reaches_...` the same of what they may contain.
    roots : each log's (number, size, recomputed root): what to compare with a root that was kept outside.
    """

    watch: Watch = lambda _done, _total: None
    faults: list[Fault] = field(default_factory=list)
    roots: list[tuple[int, int, str]] = field(default_factory=list)
    entries: int = 0
    rows: int = 0
    checkpoints: int = 0
    texts: int = 0
    erased_texts: int = 0
    photos: int = 0
    erased_photos: int = 0
    stocks: int = 0
    deliveries: int = 0
    balances: int = 0
    is_lineage_compared: bool = False
    compositions: int = 0
    derived_rows: int = 0
    standings: int = 0
    contents_walked: int = 0
    shares_walked: int = 0
    shares_traced: int = 0
    reaches_walked: int = 0
    reaches_traced: int = 0
    not_compared: int = 0

    def add(
        self,
        tables: str | tuple[str, ...],
        key: str,
        recorded: Any,
        recomputed: Any,
        column: str | None = None,
    ) -> None:
        names = (tables,) if isinstance(tables, str) else tables
        self.faults.append(Fault(names, key, column, shown(recorded), shown(recomputed)))

    def compare(self, table: str, key: str, column: str, recorded: Any, recomputed: Any) -> None:
        if recorded != recomputed:
            self.add(table, key, recorded, recomputed, column)


def shown(value: Any) -> str:
    """A value for a person: canonical, and cut when it is long."""
    text = NOTHING if value is None else canonical_value(value)
    return text if len(text) <= 80 else f"{text[:64]}... ({len(text)} characters)"
