"""What was in force when something was used: settings and certificates, many of them in one reading.

A setting holds from `valid_from` to `valid_to`. A scale's certificate and a container's tare have no end of their
own: the version that took effect last before the moment holds, and of two that took effect together the later
recorded one (a correction). A scale without a certificate is what its class says it is, not from the day it was typed
but ever since: a certificate that is recorded later and began earlier follows it. Before the first one, the first is
all there is; whether it was valid then is for `core.calibration` to say.
"""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import select
from sqlmodel import Session, col

from service.core.calibration import Calibration
from service.core.quantities import PPM, parse_fraction
from service.journal.read import Knowledge, chunks, current
from service.plant.defaults import COMMON_PRACTICE, DEFAULT_SETTINGS
from service.plant.statuses import SettingKey
from service.plant.tables import ContainerType, Instrument, Setting

Dated = TypeVar("Dated", Instrument, ContainerType)
EVER = datetime.min.replace(tzinfo=UTC)


class Stated(NamedTuple):
    """A fraction that some setting states.

    Parameters
    ----------
    label : which version of which setting, or that it is the program's default; part of what a balance rests on.
    """

    ppm: int
    scope: str
    source: str
    label: str

    @property
    def fraction(self) -> float:
        return self.ppm / PPM


class SettingsInForce:
    """The fractions stated under some keys, read once.

    A database that was begun before a key or one of its scopes existed has no setting of it: then the program's own
    default holds, and the label says so. A setting of the same key and scope that ended switches that default off.
    """

    def __init__(self, session: Session, keys: Iterable[SettingKey], known: Knowledge | None = None) -> None:
        rows = session.execute(current(Setting, known).where(col(Setting.key).in_(list(keys)))).scalars()
        self._stated: dict[tuple[SettingKey, str], list[tuple[datetime, datetime | None, Stated]]] = {}
        for row in rows:
            label = f"setting {row.id} {row.version}"
            stated = Stated(parse_fraction(row.value), row.scope, row.source, label)
            self._stated.setdefault((row.key, row.scope), []).append((row.valid_from, row.valid_to, stated))
        # The lines of a run ask for the same few values again and again.
        self._found: dict[tuple[SettingKey, tuple[str, ...], datetime], Stated | None] = {}

    def find(self, key: SettingKey, scopes: Sequence[str], at: datetime) -> Stated | None:
        """The value in force for the first of `scopes` that has one; None if neither plant nor program states one."""
        asked = key, tuple(scopes), at
        if asked not in self._found:
            self._found[asked] = self._look_up(key, scopes, at)
        return self._found[asked]

    def _look_up(self, key: SettingKey, scopes: Sequence[str], at: datetime) -> Stated | None:
        for scope in scopes:
            rows = self._stated.get((key, scope), ())
            for valid_from, valid_to, stated in rows:
                if valid_from <= at and (valid_to is None or at < valid_to):
                    return stated
            value = _DEFAULTS.get((key, scope))
            if value is not None and not any(valid_to is not None and valid_to <= at for _, valid_to, _ in rows):
                return Stated(parse_fraction(value), scope, COMMON_PRACTICE, f"default {key} {scope} {value}")
        return None

    def scopes_of(self, key: SettingKey) -> set[str]:
        """The scopes for which a key has a value, at whatever time."""
        return {scope for of_key, scope in (*self._stated, *_DEFAULTS) if of_key == key}


_DEFAULTS = {(key, scope): value for key, scope, value in DEFAULT_SETTINGS}


def versions_by_id(
    session: Session, table: type[Dated], identities: Iterable[int], known: Knowledge | None = None
) -> dict[int, list[Dated]]:
    """All known versions of several scales or container types, in the order in which they took effect."""
    found: dict[int, list[Dated]] = {}
    for portion in chunks(set(identities)):
        query = select(table).where(col(table.id).in_(portion))
        if known is not None:
            query = query.where(known.covers(col(table.seq)))
        for row in session.execute(query).scalars():
            found.setdefault(row.id, []).append(row)
    for of_one in found.values():
        of_one.sort(key=lambda row: (in_effect_since(row), row.version))
    return found


def in_effect_since(version: Instrument | ContainerType) -> datetime:
    """From when on a version holds, until another one takes effect; `EVER` for a scale without a certificate."""
    if isinstance(version, Instrument) and version.calibrated_from is None:
        return EVER
    return version.effective_at


def in_force(versions: Sequence[Dated], at: datetime) -> Dated:
    """The version that held at a moment; the first one for a moment before all of them."""
    held = [version for version in versions if in_effect_since(version) <= at]
    return held[-1] if held else versions[0]


def calibration_of(row: Instrument | Any) -> Calibration:
    """What a version of a scale says about its certificate."""
    return Calibration(
        accuracy_class=row.accuracy_class,
        e_g=row.e_g,
        max_g=row.max_g,
        u_reading_g=row.u_reading_g,
        u_span_ppm=row.u_span_ppm,
        valid_from=row.calibrated_from,
        valid_to=row.calibrated_to,
    )
