"""The command line. Each command reads its arguments, opens the database and calls what the service calls.

Every refusal is a sentence and its remedy on the error stream, with exit status 1.
"""

import gc
import ipaddress
import os
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
import uvicorn
from sqlmodel import Session

from service.access.keys import list_keys, revoke_key
from service.access.record import FIRST_ACTOR_ID, give_key, record_actor
from service.access.statuses import ActorKind
from service.access.tables import Actor
from service.app import Service, create_app, make_writer
from service.backup import IDENTITIES_SKIPPED, restore_sqlite, sqlite_file
from service.balance_command import balance
from service.balances.derive import derive_history, derive_if_missing
from service.db import Database, backup_sqlite, utc_text
from service.db import migrate as migrate_database
from service.demo.load import load_demo
from service.demo.where_to_look import where_to_look
from service.generate.history import Extent
from service.generate.history import generate as generate_history
from service.journal.entry import Entry
from service.journal.faults import Report
from service.journal.read import Knowledge, find_current, known_at
from service.labels.qr import scan_url
from service.labels.tag import tag_png, tag_svg
from service.lots.queries import get_lot
from service.papers.queries import tag_content
from service.papers.trace_sheet import (
    descendants_json,
    descendants_sheet,
    origins_json,
    origins_sheet,
    supplier_json,
    supplier_sheet,
)
from service.recall.answer import recall_out
from service.recall.sheet import recall_csv, recall_sheet
from service.recall.sources import source_named
from service.reconcile_command import reconcile
from service.settings import PUBLIC_URL_VARIABLE, Settings
from service.terminal import fail, moment_of, opened_database, refusals_as_text, show_progress, shown
from service.unit_of_work import Writer, system_clock
from service.verify import examine

app = typer.Typer(
    help="Which bales every pellet lot was made from, in what shares, and what was lost where.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
keys = typer.Typer(help="Bearer keys: who may write.", no_args_is_help=True, rich_markup_mode=None)
app.add_typer(keys, name="keys")
app.command(epilog="Example: bale-to-pellet balance --site MILL --period month --from 2026-03-01T00:00:00Z")(balance)
app.command(epilog="Example: bale-to-pellet reconcile --csv streams.csv --format json")(reconcile)

FAULTS_SHOWN = 50


@app.command(epilog="Example: bale-to-pellet migrate")
def migrate() -> None:
    """Create the database, or bring an older one to the form this version needs."""
    url = Settings.from_environment().database_url
    with refusals_as_text():
        migrate_database(url)
    with opened_database() as database:
        made = derive_if_missing(database, partial(show_progress, noun="steps composed"))
    if made:
        typer.echo(f"The compositions of {made:,} lots were worked out.")
    typer.echo(f"{shown(url)} is up to date.")


@app.command(epilog="Example: bale-to-pellet derive")
def derive() -> None:
    """Work out anew, from the lines, what every lot is made of and may contain.

    Each write does this for what it changes; this is for a history loaded in another way, or for doubt. Earlier states
    of knowledge are answered by walking the lines from then on.
    """
    with opened_database() as database:
        made = derive_history(database, partial(show_progress, noun="steps composed"))
    typer.echo(f"The compositions of {made:,} lots were worked out.")


@app.command(epilog="Example: bale-to-pellet serve --port 8080")
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8000,
    allow_network: Annotated[
        bool, typer.Option("--allow-network", help="Listen where other machines can connect.")
    ] = False,
) -> None:
    """Run the service: HTTP interface and pages."""
    if not (allow_network or is_loopback(host)):
        fail(
            f"{host} can be reached from other machines, and access control has not landed: whoever connects "
            "could read everything here.",
            "Listen on 127.0.0.1 behind a proxy that checks who asks, or add --allow-network.",
        )
    with opened_database() as database:
        service = create_app(Settings.from_environment(), make_writer(database))
        run_server(service, host, port)


@app.command(epilog="Example: bale-to-pellet demo --load-only")
def demo(
    load_only: Annotated[
        bool, typer.Option("--load-only", help="Do not serve; the last line is the code of a lot worth tracing.")
    ] = False,
    host: Annotated[str, typer.Option(help="Loopback address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to listen on.")] = 8000,
) -> None:
    """Load an invented plant's week, creating the database if needed, and serve it on this machine.

    A second time nothing is loaded twice. The demo refuses a database that holds another plant.
    """
    if not is_loopback(host):
        fail(f"{host} can be reached from other machines.", "The demo listens on this machine only: 127.0.0.1.")
    settings = Settings.from_environment()
    if not os.environ.get(PUBLIC_URL_VARIABLE):
        settings = replace(settings, public_url=f"http://{host}:{port}")
    with refusals_as_text():
        migrate_database(settings.database_url)
    with opened_database() as database:
        loaded = load_demo(database, register_installation, partial(show_progress, noun="events of the demo"))
        typer.echo(where_to_look(loaded, settings.public_url), err=load_only)
        if load_only:
            typer.echo(loaded.lot_code)
            return
        run_server(create_app(settings, make_writer(database)), host, port)


@app.command(epilog="Example: bale-to-pellet generate --years 0.1")
def generate(
    years: Annotated[float, typer.Option(min=0.001, max=50, help="How long each plant has worked.")],
    sites: Annotated[int, typer.Option(min=1, max=100, help="How many plants, each a site of its own.")] = 1,
    seed: Annotated[int, typer.Option(help="The same seed writes the same history into a new database.")] = 1,
    clean_out_every: Annotated[
        int, typer.Option(min=0, help="Fills of a silo until it is proven empty, more or less; 0 for never.")
    ] = 50,
) -> None:
    """Write an invented history into a new database: a year is 100,000 bales and 2 million rows, and takes minutes.

    For measuring and trying out. The database must hold no plant; do not use it while this runs, and throw it away
    when it was broken off.
    """
    url = Settings.from_environment().database_url
    with refusals_as_text():
        migrate_database(url)
    extent = Extent(years, sites, seed, clean_out_every)
    with opened_database() as database:
        generated = generate_history(database, extent, register_installation, show_progress)
    typer.echo(f"{sum(generated.rows.values()):,} rows, {generated.rows['lot']:,} lots in {shown(url)}.")
    for site_no, root in generated.roots.items():
        typer.echo(f"Log {site_no}: root {root}")


def run_server(service: Service, host: str, port: int) -> None:
    """Serve until told to stop."""
    # Tables, routes and templates stay for good: kept out of it, a full collection takes no 90 ms of somebody's page.
    gc.collect()
    gc.freeze()
    uvicorn.run(service, host=host, port=port, access_log=False)


def is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class Form(StrEnum):
    TEXT = "text"
    JSON = "json"


@app.command(epilog="Example: bale-to-pellet trace Q2ZTMZMYEJ --format json")
def trace(
    code: Annotated[str, typer.Argument(help="The ten characters under the QR code.")],
    form: Annotated[Form, typer.Option("--format", help="A sheet to read, or one JSON object.")] = Form.TEXT,
    expand: Annotated[bool, typer.Option("--expand", help="List every code the lot may contain.")] = False,
    known: Annotated[
        str | None, typer.Option("--known-at", help="As it was known then: RFC 3339 time with its offset.")
    ] = None,
    down: Annotated[bool, typer.Option("--down", help="Where the lot went, instead of where it came from.")] = False,
    supplier: Annotated[
        str | None, typer.Option(metavar="CODE", help="Say only how much of this supplier is in the lot.")
    ] = None,
) -> None:
    """Say what a lot was made from: all it may contain, expected shares, and the balances behind it."""
    moment = None if known is None else moment_of(known)
    if down and supplier is not None:
        fail("--down and --supplier ask two questions.", "Ask one of them; 'recall --supplier' says where it all went.")
    with opened_database() as database, database.read() as session:
        knowledge = None if moment is None else known_at(session, moment)
        if supplier is not None:
            write: Callable[[Session, str, Knowledge | None], str] = partial(
                supplier_json if form is Form.JSON else supplier_sheet, supplier=supplier
            )
        elif down:
            write = descendants_json if form is Form.JSON else descendants_sheet
        else:
            write = partial(origins_json if form is Form.JSON else origins_sheet, expand=expand)
        typer.echo(write(session, code, knowledge))


class RecallForm(StrEnum):
    TEXT = "text"
    JSON = "json"
    CSV = "csv"


@app.command(epilog="Example: bale-to-pellet recall --lot Q2ZTMZMYEJ --format csv")
def recall(
    lot: Annotated[str | None, typer.Option(metavar="CODE", help="A bale or any other lot.")] = None,
    delivery: Annotated[int | None, typer.Option(metavar="NUMBER", help="A delivery, by its number.")] = None,
    supplier: Annotated[str | None, typer.Option(metavar="CODE", help="Everything from a supplier.")] = None,
    vessel: Annotated[str | None, typer.Option(metavar="CODE", help="A vessel, with --from and --to.")] = None,
    begin: Annotated[str | None, typer.Option("--from", help="RFC 3339 time with its offset.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="The same; not included.")] = None,
    excursion: Annotated[
        bool, typer.Option("--suspect-discharge", help="All that was inside then, not only what was drawn.")
    ] = False,
    form: Annotated[RecallForm, typer.Option("--format", help="A sheet to read, JSON, or a table.")] = RecallForm.TEXT,
    known: Annotated[
        str | None, typer.Option("--known-at", help="As it was known then: RFC 3339 time with its offset.")
    ] = None,
) -> None:
    """List everything that may contain some of a bad lot, and where it stands. Nothing is recorded or held."""
    moments = {name: moment_of(text, name) for name, text in (("--from", begin), ("--to", end)) if text is not None}
    moment = None if known is None else moment_of(known)
    with opened_database() as database, database.read() as session:
        source = source_named(
            session,
            {
                "lot": lot,
                "delivery_id": delivery,
                "partner": supplier,
                "vessel": vessel,
                "from": moments.get("--from"),
                "to": moments.get("--to"),
                "suspect_discharge": excursion,
            },
        )
        answer = recall_out(session, source, None if moment is None else known_at(session, moment))
    match form:
        case RecallForm.TEXT:
            typer.echo(recall_sheet(answer))
        case RecallForm.JSON:
            typer.echo(answer.model_dump_json(indent=2))
        case RecallForm.CSV:
            typer.echo(recall_csv(answer), nl=False)


@app.command(epilog="Example: bale-to-pellet label Q2ZTMZMYEJ --output label.png")
def label(
    code: Annotated[str, typer.Argument(help="The ten characters under the QR code.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="File to write, .svg or .png.")],
) -> None:
    """Write the label of a lot, A6 landscape, as a drawing or as a picture of 300 dots per inch."""
    if output.suffix.lower() not in {".svg", ".png"}:
        fail(f"--output {output} ends in neither .svg nor .png.", "Name the file label.svg or label.png.")
    with opened_database() as database, database.read() as session:
        lot = get_lot(session, code)
        try:
            url = scan_url(Settings.from_environment().public_url, lot.code)
            content = tag_content(session, lot)
            is_svg = output.suffix.lower() == ".svg"
            output.write_bytes(tag_svg(content, url).encode() if is_svg else tag_png(content, url))
        except ValueError as fault:  # an address or a text that cannot be printed
            fail(f"The label cannot be drawn: {fault}.", f"Check {PUBLIC_URL_VARIABLE} and the names on the label.")
    typer.echo(f"Label of lot {lot.code} written to {output}.")


@app.command(epilog="Example: bale-to-pellet verify")
def verify(
    every_fault: Annotated[bool, typer.Option("--every-fault", help="Print all faults, however many.")] = False,
) -> None:
    """Recompute the journal, its trees and everything derived, and say where the tables disagree.

    Exit status 0: everything agrees. 1: it does not; each line says where, what is recorded and what was
    recomputed. Only a checkpoint kept outside shows a database that was rewritten as a whole.
    """
    with opened_database() as database:
        print_verification(database, every_fault)


def print_verification(database: Database, every_fault: bool) -> None:
    report = examine(database, show_progress)
    typer.echo(
        f"{report.entries} journal entries, {report.rows} rows, {report.checkpoints} checkpoints, "
        f"{report.texts} texts ({report.erased_texts} erased), {report.photos} photos ({report.erased_photos} erased), "
        f"{report.stocks} lots, {report.deliveries} deliveries, {report.balances} balances of runs."
    )
    typer.echo(lineage_sentence(report))
    for log_no, size, root in report.roots:
        typer.echo(f"Log {log_no}: size {size}, root {root}")
    shown_faults = report.faults if every_fault else report.faults[:FAULTS_SHOWN]
    for fault in shown_faults:
        typer.echo(str(fault))
    if not report.faults:
        typer.echo("Journal and tables agree.")
        return
    hidden = len(report.faults) - len(shown_faults)
    fail(
        f"{len(report.faults)} faults" + (f", {hidden} of them not shown (--every-fault)." if hidden else "."),
        "Keep this database as it is; restore a copy elsewhere and compare the rows named above.",
    )


def lineage_sentence(report: Report) -> str:
    """What of the stored compositions was compared, and with what."""
    if not report.is_lineage_compared:
        return "Compositions of lots were not looked at: the facts they rest on do not agree."
    left_out = f", {report.not_compared} too far back to compare" if report.not_compared else ""
    return (
        f"{report.compositions} compositions of lots, {report.derived_rows} rows that follow from them, "
        f"{report.standings} contents of vessels. Compared with a walk over the lines: shares of "
        f"{report.shares_walked} lots (with the exact walk {report.shares_traced}{left_out}), what "
        f"{report.reaches_walked} lots may contain (exact {report.reaches_traced}), "
        f"{report.contents_walked} contents."
    )


@app.command(epilog="Example: bale-to-pellet backup /srv/backup/plant-2026-03-09.sqlite3")
def backup(file: Annotated[Path, typer.Argument(help="New file to write the copy to.")]) -> None:
    """Copy the database into FILE while the service runs (SQLite)."""
    url = Settings.from_environment().database_url
    if sqlite_file(url) is None:
        fail(
            "This copies SQLite files; PostgreSQL has its own tools, which also copy while it runs.",
            "Use pg_dump for a copy of one moment, or pg_basebackup with an archive for any moment.",
        )
    with opened_database():
        try:
            backup_sqlite(url, file)
        except ValueError as error:
            fail(f"{error}.", "Name a file that does not exist yet.")
    typer.echo(f"Copied to {file}.")


@app.command(epilog="Example: bale-to-pellet restore /srv/backup/plant-2026-03-09.sqlite3")
def restore(file: Annotated[Path, typer.Argument(help="Copy made by 'backup'.")]) -> None:
    """Put a copy in the place of a lost SQLite database; never over one that is there.

    Identities given after the copy was made stand on tags and papers, so every site's counter jumps ahead.
    """
    url = Settings.from_environment().database_url
    if sqlite_file(url) is None:
        fail("This restores SQLite files.", "Use pg_restore or your base backup for PostgreSQL.")
    with refusals_as_text():
        restored = restore_sqlite(file, url)
    typer.echo(f"Restored to {restored.target}.")
    typer.echo(
        "Identities given after the copy are never given again: "
        f"every site's counter was advanced by {IDENTITIES_SKIPPED}."
    )
    for site_no, series, following in restored.series:
        typer.echo(
            f"Site {site_no}: the next number of series {series!r} is {following}; "
            "a number given after the copy can come again, so record those papers first."
        )
    with opened_database() as database:
        print_verification(database, every_fault=False)


@keys.command("add", epilog='Example: bale-to-pellet keys add --name "Gate 1" --kind device')
def add_key(
    name: Annotated[str, typer.Option(help="Who will write with it.")],
    kind: Annotated[ActorKind, typer.Option(help="What that is.")] = ActorKind.PERSON,
) -> None:
    """Register somebody who may write and print a key, once; only its digest is kept."""
    if not 1 <= len(name.strip()) <= 200:
        fail(f"--name {name!r} is no name.", "Give 1 to 200 characters.")
    with opened_database() as database:
        writer = make_writer(database)
        register_installation(writer)

        def actor_with_key(entry: Entry) -> tuple[int, str]:
            actor = record_actor(entry, kind=kind, name=name.strip())
            return actor.id, give_key(entry.session, actor_id=actor.id, now=entry.now)

        actor_id, key = writer.run(FIRST_ACTOR_ID, actor_with_key)
    typer.echo(f"Key of {name.strip()} (actor {actor_id}), shown only now:", err=True)
    typer.echo(key)


def register_installation(writer: Writer) -> None:
    """See to it that actor 1, the installation itself, exists: it is the author of the first entries."""
    with writer.database.read() as session:
        if find_current(session, Actor, FIRST_ACTOR_ID) is not None:
            return
    writer.run(FIRST_ACTOR_ID, lambda entry: record_actor(entry, kind=ActorKind.SYSTEM, name="installation"))


@keys.command("list", epilog="Example: bale-to-pellet keys list")
def show_keys() -> None:
    """List all keys ever given, without the keys themselves."""
    with opened_database() as database, database.read() as session:
        for holder in list_keys(session):
            state = f"revoked {utc_text(holder.revoked_at)}" if holder.revoked_at else "valid"
            if holder.expires_at and not holder.revoked_at:
                state += f" until {utc_text(holder.expires_at)}"
            typer.echo(
                f"{holder.key_id}  actor {holder.actor_id}  {holder.kind or 'withdrawn'}  {holder.name}  "
                f"given {utc_text(holder.created_at)}  {state}"
            )


@keys.command("revoke", epilog="Example: bale-to-pellet keys revoke 3f9a0c1b2d4e")
def take_key_back(
    key_id: Annotated[str, typer.Argument(metavar="ID", help="The id that 'keys list' shows.")],
) -> None:
    """Take a key back. What was written with it stays as it is."""
    with opened_database() as database:
        database.write(lambda session: revoke_key(session, key_id, system_clock()))
    typer.echo(f"Key {key_id} opens nothing any more.")
