"""Goal: the demo week loads on both engines, is traced as worked out by hand, and shows what it promises.

Method: `demo --load-only` runs once per engine and session on a database that does not exist yet (`demo_week`);
the tests ask that database and leave it as it was. What the lots are made of is compared with `demo_by_hand`,
which works it out again from the raw events and imports nothing of the service.
"""

import ast
import json
from collections import Counter as Tally
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
import zxingcpp
from demo_week import ENGINES, PELLET_LOTS, PUBLIC_URL, Demo
from feature import demo_by_hand
from feature.demo_by_hand import FIVE_LARGEST, DemoByHand
from PIL import Image
from sqlalchemy import func, select
from sqlmodel import col

from service.access.queries import actor_behind
from service.journal.read import current
from service.journal.tables import JournalEntry
from service.lots.queries import get_lot, materials_of
from service.lots.statuses import LotKind, Step
from service.lots.tables import Lot, Process
from service.verify import verify_database


@pytest.fixture(params=ENGINES)
def database_url(request: pytest.FixtureRequest) -> str:
    """The database of the loaded demo, in the place of an empty one."""
    demo: Demo = request.getfixturevalue(f"demo_on_{request.param}")
    return demo.url


@pytest.fixture
def demo(request: pytest.FixtureRequest, database_url: str) -> Demo:
    engine = "sqlite" if database_url.startswith("sqlite") else "postgresql"
    loaded: Demo = request.getfixturevalue(f"demo_on_{engine}")
    return loaded


@pytest.fixture(scope="module")
def by_hand() -> DemoByHand:
    return DemoByHand()


# Loading --------------------------------------------------------------------------------------------


def test_only_the_code_of_a_food_candidate_pellet_lot_is_printed(demo: Demo):
    assert demo.printed.stdout == f"{demo.code('$p3.drawn_lot')}\n"
    with demo.database.read() as session:
        lot = get_lot(session, demo.printed.stdout.strip())
        assert lot.kind is LotKind.PELLETS
        assert materials_of(session, [lot.id])[lot.id].food_candidate


def test_the_key_for_trying_out_is_printed_once_and_opens(demo: Demo):
    [key] = [line.strip() for line in demo.printed.stderr.splitlines() if line.strip().startswith("b2p_")]
    with demo.database.read() as session:
        assert actor_behind(session, key, datetime.now(UTC)) == demo.number("$visitor.id")
    assert "b2p_" not in demo.run("demo", "--load-only").stderr


def test_a_second_load_changes_nothing(demo: Demo):
    size = demo.journal_size()
    assert size == demo.loaded.events + 1  # one entry per event, and the installation's own
    again = demo.run("demo", "--load-only")
    assert again.stdout == demo.printed.stdout
    assert demo.loaded.recorded == 0
    assert demo.journal_size() == size


def test_verify_finds_nothing(demo: Demo):
    assert verify_database(demo.database) == ()


def test_the_journal_reads_as_if_recorded_live(demo: Demo):
    with demo.database.read() as session:
        entries = session.execute(select(JournalEntry).where(col(JournalEntry.log_no) == 1)).scalars().all()
    recorded = [entry.recorded_at for entry in sorted(entries, key=lambda entry: entry.seq)]
    assert recorded == sorted(recorded)
    assert recorded[-1] < datetime(2026, 9, 14, tzinfo=UTC)
    late = [entry for entry in entries if entry.recorded_at - entry.effective_at > timedelta(hours=8)]
    assert {entry.kind for entry in late} >= {"delivery_opened", "late_run_discharged", "delivery_moisture_recorded"}


def test_the_week_is_as_large_as_a_week(demo: Demo):
    with demo.database.read() as session:
        kinds = session.execute(select(col(Lot.kind), func.count()).group_by(col(Lot.kind))).all()
        steps = session.execute(current(Process)).scalars().all()
    lots = {row[0]: row[1] for row in kinds}
    assert lots[LotKind.BALE] == 561
    assert lots[LotKind.VIRGIN] == lots[LotKind.ADDITIVE] == 1
    tally = Tally(process.step for process in steps)
    assert (tally[Step.WASH], tally[Step.EXTRUSION], tally[Step.CRYSTALLISING]) == (7, 3, 3)
    assert (tally[Step.REGRIND], tally[Step.PACKING], tally[Step.SHIPPING]) == (1, 1, 1)


# What the lots are made of --------------------------------------------------------------------------


def test_trace_prints_one_object_whose_shares_and_remainder_sum_to_one(demo: Demo):
    result = demo.run("trace", demo.loaded.lot_code, "--format", "json")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    shares = {row["bale"]: Decimal(row["share"]) for row in answer["shares"]}
    assert sum(shares.values()) + Decimal(answer["remainder"]) == 1
    assert len(shares) == len(answer["shares"]) > 300
    assert set(shares) <= set(answer["may_contain"])
    assert {row["kind"] for row in answer["shares"]} == {"bale", "loose", "virgin", "additive", "before records began"}
    assert answer == demo.get(f"/v1/lots/{demo.loaded.lot_code}/trace")


@pytest.mark.parametrize("reference", [*PELLET_LOTS, "$k3.lots[20]", "$w4.lots[0]", "$w7.lots[3]", "$g1.lots[0]"])
def test_every_share_equals_the_one_worked_out_by_hand(demo: Demo, by_hand: DemoByHand, reference: str):
    answer = demo.get(f"/v1/lots/{demo.code(reference)}/trace")
    expected = {demo.code(origin): share for origin, share in by_hand.made_of(reference).items()}
    given = {row["bale"]: Fraction(row["share"]) for row in answer["shares"]}
    assert sum(expected.values()) == 1
    assert given.keys() == expected.keys()
    # Shares are printed in parts of 10**12, and the parts that are left over go to the largest rests.
    assert all(abs(given[origin] - expected[origin]) < Fraction(1, 10**12) for origin in given)
    assert set(answer["may_contain"]) == {demo.code(origin) for origin in by_hand.may_contain(reference)}


def test_the_five_largest_shares_of_the_lot_worth_tracing(demo: Demo, by_hand: DemoByHand):
    largest = sorted(by_hand.made_of(by_hand.worth_tracing).items(), key=lambda row: -row[1])[:5]
    assert [(origin, f"{round(share * 10**12) / Decimal(10**12):.12f}") for origin, share in largest] == list(
        FIVE_LARGEST
    )
    given = demo.get(f"/v1/lots/{demo.loaded.lot_code}/trace")["shares"][:5]
    assert [(row["bale"], row["share"]) for row in given] == [
        (demo.code(origin), share) for origin, share in FIVE_LARGEST
    ]


def test_the_hand_calculation_imports_nothing_of_the_service():
    tree = ast.parse(Path(demo_by_hand.__file__).read_text(encoding="utf-8"))
    imported = [
        name
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    ]
    assert imported
    assert not [name for name in imported if name.split(".")[0] == "service"]


def test_a_container_has_the_shares_of_its_lot_and_leads_down_from_every_bale(demo: Demo):
    container = demo.code("$k3.lots[0]")
    of_lot = demo.get(f"/v1/lots/{demo.loaded.lot_code}/trace")
    in_container = demo.get(f"/v1/lots/{container}/trace")["shares"]
    # A container is a small part of its lot, so more of it can be one bale; what is expected is the same.
    assert [(row["bale"], row["share"]) for row in in_container] == [
        (row["bale"], row["share"]) for row in of_lot["shares"]
    ]
    down = json.loads(demo.run("trace", demo.code("$t1.bales[0].code"), "--down", "--format", "json").stdout)
    assert {container, demo.loaded.lot_code} <= {row["lot"] for row in down["affected"]}


def test_the_sheet_names_suppliers_tickets_bales_and_balances(demo: Demo):
    sheet = demo.run("trace", demo.loaded.lot_code).stdout
    ticket = demo.delivery("t1")["ticket_no"]
    bale = demo.code("$t1.bales[46].code")
    share = next(
        row["share"] for row in demo.get(f"/v1/lots/{demo.loaded.lot_code}/trace")["shares"] if row["bale"] == bale
    )
    row = next(line for line in sheet.splitlines() if bale in line)
    assert row.split("  ")[0] == "Ostrelund Kerbside Sorting (invented)"
    assert ticket in row
    assert share in row
    assert demo.balances("w5")[-1]["sentence"] in sheet


def test_a_trace_can_be_asked_as_it_was_known_before_the_late_moisture(demo: Demo):
    flake, bale = demo.code("$w1.lots[0]"), demo.code("$t1.bales[0].code")

    def share_known(*more: str) -> Fraction:
        answer = json.loads(demo.run("trace", flake, "--format", "json", *more).stdout)
        return next(Fraction(row["share"]) for row in answer["shares"] if row["bale"] == bale)

    # The bale counted with 5 % moisture on Monday night, and with 6.8 % since Tuesday.
    assert share_known("--known-at", "2026-09-07T23:00:00+02:00") > share_known()


@pytest.mark.parametrize("code", ["Q2ZTMZMYEJ", "nonsense"])
@pytest.mark.parametrize("command", [("trace",), ("trace", "--down"), ("label", "-o", "label.png")], ids=" ".join)
def test_an_unknown_code_is_refused_with_a_remedy(demo: Demo, command: tuple[str, ...], code: str):
    result = demo.run(*command, code)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert code in result.stderr
    assert "Check the ten characters" in result.stderr


# Label and record -----------------------------------------------------------------------------------


def test_the_label_leads_to_the_scan_page(demo: Demo, tmp_path: Path):
    file = tmp_path / "label.png"
    result = demo.run("label", demo.loaded.lot_code, "--output", str(file))
    assert result.exit_code == 0, result.stderr
    [found] = zxingcpp.read_barcodes(Image.open(file))
    assert found.text == f"{PUBLIC_URL}/L/{demo.loaded.lot_code}".upper()
    page = demo.client.get(f"/L/{demo.loaded.lot_code}")
    assert page.status_code == 200
    svg = tmp_path / "label.svg"
    assert demo.run("label", demo.loaded.lot_code, "-o", str(svg)).exit_code == 0
    assert svg.read_text(encoding="utf-8").startswith("<svg")


def test_a_label_of_another_kind_of_file_is_refused(demo: Demo, tmp_path: Path):
    result = demo.run("label", demo.loaded.lot_code, "--output", str(tmp_path / "label.pdf"))
    assert result.exit_code == 1
    assert ".svg" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_lot_record_is_issued(demo: Demo):
    record = demo.get(f"/v1/lots/{demo.loaded.lot_code}/record")
    assert (record["lot"], record["issue"]) == (demo.loaded.lot_code, 1)
    assert record["may_contain_lots"] == 365
    assert record["recycled"]["post_consumer_percent"] == "87.1"


# Serving --------------------------------------------------------------------------------------------


def test_the_demo_is_served_on_this_machine_and_says_where_to_look(demo: Demo, monkeypatch: pytest.MonkeyPatch):
    served: list[tuple[str, int]] = []
    monkeypatch.setattr("service.cli.uvicorn.run", lambda _app, *, host, port, **_: served.append((host, port)))
    result = demo.run("demo", "--port", "8123")
    assert served == [("127.0.0.1", 8123)]
    paths = [word.removeprefix(PUBLIC_URL) for word in result.stdout.split() if word.startswith(PUBLIC_URL)]
    assert f"/L/{demo.loaded.lot_code}" in paths
    asks_for_a_log_in = {path for path in paths if demo.client.get(path).status_code == 401}
    assert asks_for_a_log_in == {f"/lots/{demo.loaded.lot_code}", "/gate?day=2026-09-08"}
    assert all(demo.client.get(path).status_code == 200 for path in set(paths) - asks_for_a_log_in)
    assert demo.run("demo", "--host", "0.0.0.0").exit_code == 1
    assert len(served) == 1
