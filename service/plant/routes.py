"""HTTP of the master data."""

from fastapi import Response

from service.plant.queries import list_current, list_settings
from service.plant.record import (
    container_type_out,
    instrument_out,
    material_out,
    record_certificate,
    record_container_type,
    record_instrument,
    record_material,
    record_setting,
    record_site,
    setting_out,
    site_out,
)
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
from service.plant.tables import ContainerType, Instrument, Material, Site
from service.web import Known, Read, Write, router

routes = router("plant")


@routes.post("/sites", status_code=201, response_model=SiteOut)
def post_site(body: SiteIn, write: Write) -> Response:
    """Register a plant. The first one brings default settings, each dated and marked with its source."""
    return write(lambda entry: record_site(entry, body))


@routes.get("/sites")
def get_sites(session: Read) -> list[SiteOut]:
    """All plants."""
    return [site_out(row) for row in list_current(session, Site)]


@routes.post("/materials", status_code=201, response_model=MaterialOut)
def post_material(body: MaterialIn, write: Write) -> Response:
    """Register a material."""
    return write(lambda entry: record_material(entry, body))


@routes.get("/materials")
def get_materials(session: Read) -> list[MaterialOut]:
    """All materials."""
    return [material_out(row) for row in list_current(session, Material)]


@routes.post("/instruments", status_code=201, response_model=InstrumentOut)
def post_instrument(body: InstrumentIn, write: Write) -> Response:
    """Register a weighing instrument of a site."""
    return write(lambda entry: record_instrument(entry, body))


@routes.get("/instruments")
def get_instruments(session: Read) -> list[InstrumentOut]:
    """All weighing instruments."""
    return [instrument_out(row) for row in list_current(session, Instrument)]


@routes.post("/instruments/{instrument_id}/certificates", status_code=201, response_model=InstrumentOut)
def post_certificate(instrument_id: int, body: CertificateIn, write: Write) -> Response:
    """Put a calibration certificate of a scale on record, or correct one; balances that rest on it follow."""
    return write(lambda entry: record_certificate(entry, instrument_id, body))


@routes.post("/container-types", status_code=201, response_model=ContainerTypeOut)
def post_container_type(body: ContainerTypeIn, write: Write) -> Response:
    """Register a container type with its tare."""
    return write(lambda entry: record_container_type(entry, body))


@routes.get("/container-types")
def get_container_types(session: Read) -> list[ContainerTypeOut]:
    """All container types."""
    return [container_type_out(row) for row in list_current(session, ContainerType)]


@routes.post("/settings", status_code=201, response_model=SettingOut)
def post_setting(body: SettingIn, write: Write) -> Response:
    """Put a setting in force from a date; the value before it stays readable with its validity."""
    return write(lambda entry: record_setting(entry, body))


@routes.get("/settings")
def get_settings(session: Read, known: Known) -> list[SettingOut]:
    """All settings with their validity and source."""
    return [setting_out(row) for row in list_settings(session, known)]
