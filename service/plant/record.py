"""Verbs that register and change master data."""

from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import TypeVar

from sqlalchemy import func, or_, select
from sqlmodel import Session, col

from service.core.level import DensityRange
from service.core.local_periods import AuditYearStart, ShiftPattern
from service.core.quantities import fraction_text, kg_text, parse_fraction
from service.errors import Conflict, Finding, Unacceptable
from service.journal.entry import Entry
from service.journal.read import current, get_current
from service.journal.tables import site_of
from service.plant.defaults import COMMON_PRACTICE, DEFAULT_SETTINGS
from service.plant.queries import NOUN, find_by_code, get_by_code
from service.plant.schemas import (
    CertificateIn,
    ContainerTypeIn,
    ContainerTypeOut,
    InstrumentIn,
    InstrumentOut,
    MaterialIn,
    MaterialOut,
    SettingIn,
    SettingOut,
    SiteIn,
    SiteOut,
)
from service.plant.statuses import SettingKey
from service.plant.tables import ContainerType, Equipment, Instrument, Material, Setting, Site

Coded = TypeVar("Coded", Site, Material, Instrument, ContainerType, Equipment)
ALL_TIME = datetime(1970, 1, 1, tzinfo=UTC)


def record_site(entry: Entry, site: SiteIn) -> SiteOut:
    """Register a plant; the first one brings the default settings with it, as dated facts."""
    entry.open(0, "site_registered")
    refuse_taken_code(entry.session, Site, site.code)
    highest = entry.session.execute(select(func.max(col(Site.site_no)))).scalar_one()
    row = entry.add(
        Site(
            id=entry.new_id("site"),
            site_no=(highest or 0) + 1,
            code=site.code,
            name=site.name,
            zone=site.zone,
        )
    )
    if highest is None:
        entry.add_all(
            [
                Setting(
                    id=identity,
                    key=key,
                    scope=scope,
                    value=value,
                    valid_from=ALL_TIME,
                    source=COMMON_PRACTICE,
                )
                for identity, (key, scope, value) in zip(
                    entry.new_ids("setting", len(DEFAULT_SETTINGS)), DEFAULT_SETTINGS, strict=True
                )
            ]
        )
    return site_out(row)


def record_material(entry: Entry, material: MaterialIn) -> MaterialOut:
    entry.open(0, "material_registered")
    refuse_taken_code(entry.session, Material, material.code)
    return material_out(entry.add(Material(id=entry.new_id("material"), **material.model_dump())))


def record_instrument(entry: Entry, instrument: InstrumentIn) -> InstrumentOut:
    site = get_by_code(entry.session, Site, instrument.site)
    entry.open(site.site_no, "instrument_registered", instrument.calibrated_from)
    refuse_taken_code(entry.session, Instrument, instrument.code, site.site_no)
    row = Instrument(
        id=entry.new_id("instrument"),
        code=instrument.code,
        name=instrument.name,
        kind=instrument.kind,
        accuracy_class=instrument.accuracy_class,
        max_g=instrument.max_kg,
        e_g=instrument.e_kg,
        u_reading_g=instrument.u_reading_kg,
        u_span_ppm=instrument.u_span_fraction,
        calibrated_from=instrument.calibrated_from,
        calibrated_to=instrument.calibrated_to,
    )
    return instrument_out(entry.add(row))


def record_certificate(entry: Entry, instrument_id: int, certificate: CertificateIn) -> InstrumentOut:
    """Put a certificate of a scale on record; closed runs that rest on what it weighed since get new balances.

    Raises
    ------
    NotFound : no such scale.
    Conflict : the certificate says nothing that is not on record.
    """
    entry.open(site_of(instrument_id), "scale_calibrated", certificate.calibrated_from)
    earlier = get_current(entry.session, Instrument, instrument_id, "scale")
    said = {
        "u_reading_g": certificate.u_reading_kg,
        "u_span_ppm": certificate.u_span_fraction,
        "calibrated_from": certificate.calibrated_from,
        "calibrated_to": certificate.calibrated_to,
    }
    if all(getattr(earlier, name) == value for name, value in said.items()):
        remedy = "Nothing is left to do; check whether another scale was meant."
        raise Conflict(
            "certificate-on-record",
            f"This is what stands for scale {earlier.code}.",
            remedy,
            (Finding("/calibrated_from", f"version {earlier.version} says the same", remedy),),
        )
    return instrument_out(entry.revise(earlier, certificate.reason, effective_at=certificate.calibrated_from, **said))


def record_container_type(entry: Entry, container: ContainerTypeIn) -> ContainerTypeOut:
    entry.open(0, "container_type_registered", container.valid_from)
    refuse_taken_code(entry.session, ContainerType, container.code)
    row = ContainerType(
        id=entry.new_id("container_type"),
        code=container.code,
        name=container.name,
        tare_g=container.tare_kg,
        u_tare_g=container.u_tare_kg,
        valid_from=container.valid_from,
        valid_to=container.valid_to,
    )
    return container_type_out(entry.add(row))


def record_setting(entry: Entry, setting: SettingIn) -> SettingOut:
    """Put a setting in force from a date; the one it follows ends there, as a new version of it.

    Raises
    ------
    Conflict : another setting of the same key and scope starts inside the new one's validity.
    """
    entry.open(0, "setting_changed", setting.valid_from)
    overlapping = (
        entry.session.execute(
            current(Setting).where(
                col(Setting.key) == setting.key,
                col(Setting.scope) == setting.scope,
                or_(col(Setting.valid_to).is_(None), col(Setting.valid_to) > setting.valid_from),
            )
        )
        .scalars()
        .all()
    )
    for earlier in overlapping:
        if earlier.valid_from >= setting.valid_from and (
            setting.valid_to is None or earlier.valid_from < setting.valid_to
        ):
            raise Conflict(
                "setting-overlaps",
                f"{setting.key} for {setting.scope or 'everywhere'!r} has another value from {earlier.valid_from}.",
                "End the new setting before that date with valid_to.",
                (Finding("/valid_from", f"overlaps setting {earlier.id}", "Choose another validity."),),
            )
        if earlier.valid_from < setting.valid_from:
            entry.revise(earlier, f"followed by a new value: {setting.source}", valid_to=setting.valid_from)
    row = Setting(
        id=entry.new_id("setting"),
        key=setting.key,
        scope=setting.scope,
        value=setting_text(setting.key, setting.value),
        valid_from=setting.valid_from,
        valid_to=setting.valid_to,
        source=setting.source,
    )
    return setting_out(entry.add(row))


def refuse_taken_code(session: Session, table: type[Coded], code: str, site_no: int = 0) -> None:
    """Codes are names people use: one code, one thing."""
    if find_by_code(session, table, code, site_no) is not None:
        raise Conflict(
            "code-taken",
            f"The code {code!r} already names a {NOUN[table]}.",
            "Choose another code.",
            (Finding("/code", f"{code!r} is taken", "Choose another code."),),
        )


# Settings that are no figure, each with what reads it and gives its one spelling.
WRITTEN: dict[SettingKey, tuple[Callable[[str], str], str]] = {
    SettingKey.SHIFT_STARTS: (lambda text: ShiftPattern.parse(text).text, "Give 06:00,14:00,22:00."),
    SettingKey.AUDIT_YEAR_START: (lambda text: AuditYearStart.parse(text).text, "Give 07-01 for the first of July."),
    SettingKey.BULK_DENSITY: (lambda text: DensityRange.parse(text).text, "Give 250-400."),
}


def setting_text(key: SettingKey, value: Decimal | str) -> str:
    """The stored spelling of a setting; fractions must be 0..1."""
    if key in WRITTEN:
        read, example = WRITTEN[key]
        try:
            return read(str(value))
        except ValueError as fault:
            found = (Finding("/value", str(fault), example),)
            raise Unacceptable("setting-not-readable", f"{key} cannot be read.", example, found) from fault
    if key is SettingKey.LOT_TOLERANCE and isinstance(value, Decimal):
        return str(value)
    try:
        return fraction_text(parse_fraction(value))
    except ValueError as fault:
        raise Unacceptable(
            "setting-not-a-fraction",
            f"{key} is a fraction.",
            "Give 0.03 for 3 %.",
            (Finding("/value", str(fault), "Give a fraction between 0 and 1."),),
        ) from fault


def site_out(row: Site) -> SiteOut:
    return SiteOut(id=row.id, site_no=row.site_no, code=row.code, name=row.name, zone=row.zone)


def material_out(row: Material) -> MaterialOut:
    return MaterialOut(
        id=row.id,
        code=row.code,
        name=row.name,
        form=row.form,
        polymer=row.polymer,
        colour=row.colour,
        waste_class=row.waste_class,
        food_candidate=row.food_candidate,
    )


def instrument_out(row: Instrument) -> InstrumentOut:
    return InstrumentOut(
        id=row.id,
        version=row.version,
        code=row.code,
        name=row.name,
        kind=row.kind,
        accuracy_class=row.accuracy_class,
        max_kg=kg_text(row.max_g),
        e_kg=kg_text(row.e_g),
        u_reading_kg=None if row.u_reading_g is None else kg_text(row.u_reading_g),
        u_span_fraction=None if row.u_span_ppm is None else fraction_text(row.u_span_ppm),
        calibrated_from=row.calibrated_from,
        calibrated_to=row.calibrated_to,
    )


def container_type_out(row: ContainerType) -> ContainerTypeOut:
    return ContainerTypeOut(
        id=row.id,
        code=row.code,
        name=row.name,
        tare_kg=kg_text(row.tare_g),
        u_tare_kg=kg_text(row.u_tare_g),
        valid_from=row.valid_from,
        valid_to=row.valid_to,
    )


def setting_out(row: Setting) -> SettingOut:
    return SettingOut(
        id=row.id,
        version=row.version,
        key=row.key,
        scope=row.scope,
        value=row.value,
        valid_from=row.valid_from,
        valid_to=row.valid_to,
        source=row.source,
    )
