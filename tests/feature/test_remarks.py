"""Goal: what somebody notices about a load or a bale is kept with its photo, can be taken back but not lost, and a
photo can be erased without breaking the record.

Method: over HTTP on both engines; photos are made here and read back. Every refusal is compared with the whole
database before it. Changed bytes are put in behind the service's back.
"""

import hashlib
from datetime import timedelta
from typing import Any

import pytest
from gate import act, arrive, at, p01, reading, stamp, supplier, ticket
from pictures import base64, corner_photo, decoded, png_of_size
from plant_fixture import Plant
from problem_shape import problem_of
from refused import Gate
from sqlalchemy import delete, insert, select, update
from sqlalchemy.sql import Executable
from tampering import overwrite, remove_guards, row_at, table_of, unguarded
from whole_database import everything_in

from service.journal.entry import Entry
from service.journal.tables import PrivateText
from service.verify import examine
from service.weighbridge.photo import stored_photo
from service.weighbridge.record_remark import record_remark
from service.weighbridge.schemas_remark import RemarkIn
from service.weighbridge.statuses import RemarkKind
from service.weighbridge.tables import Attachment, Remark

PHOTO = corner_photo(orientation=6)


@pytest.fixture
def load(plant: Plant) -> Any:
    """A weighed delivery with two bales."""
    return act(plant, p01(plant), "bales", count=2)


def note(plant: Plant, load: Any, *, status: int = 201, **body: Any) -> Any:
    return act(plant, load, "remarks", status=status, **{"kind": "wet"} | body)


def path_of(remark: Any, rest: str = "") -> str:
    return f"/v1/deliveries/{remark['delivery_id']}/remarks/{remark['id']}{rest}"


def withdraw(plant: Plant, remark: Any, *, status: int = 201) -> Any:
    return plant.post(path_of(remark, "/withdrawal"), {"reason": "it was the other truck"}, status=status)


def directly(plant: Plant, statement: Executable) -> None:
    plant.database.write(lambda session: session.execute(statement))


def test_a_bale_is_remarked_upon_with_a_photo(plant: Plant, load: Any):
    bale = load["bales"][1]["code"]
    seen = at(5.75)
    body = {"kind": "damaged", "lot": bale.lower(), "note": "wire torn", "noticed_at": seen}
    remark = note(plant, load, photo_base64=base64(PHOTO), **body)
    assert (remark["kind"], remark["lot"], remark["note"]) == ("damaged", bale, "wire torn")
    assert remark["noticed_at"] == "2026-03-09T05:45:00.000000Z"
    assert (remark["photo_is_erased"], remark["is_withdrawn"]) == (False, False)
    assert plant.get(f"/v1/deliveries/{load['id']}/remarks") == [remark]
    assert plant.get(f"/v1/deliveries/{load['id']}") == load | {"remarks": [remark]}
    answer = plant.client.get(path_of(remark, "/photo"))
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
    assert answer.headers["cache-control"] == "no-store"
    assert hashlib.sha256(answer.content).hexdigest() == remark["photo_sha256"]
    assert decoded(answer.content).size == (32, 64)  # upright
    report = examine(plant.database)
    assert (report.faults, report.photos, report.erased_photos) == ([], 1, 0)


@pytest.mark.parametrize("kind", [kind for kind in RemarkKind if kind is not RemarkKind.OTHER])
def test_a_load_is_remarked_upon_by_kind_alone(plant: Plant, load: Any, kind: RemarkKind):
    remark = note(plant, load, kind=kind)
    assert (remark["kind"], remark["lot"], remark["note"], remark["photo_sha256"]) == (kind, None, None, None)
    problem_of(plant.client.get(path_of(remark, "/photo")), 404, "photo-not-found")


def test_the_same_request_again_is_one_remark(plant: Plant, load: Any):
    path, body = f"/v1/deliveries/{load['id']}/remarks", {"kind": "odour", "photo_base64": base64(PHOTO)}
    first, second = (plant.request("POST", path, body, idempotency_key="once") for _ in range(2))
    assert first.content == second.content
    assert first.headers["location"] == path
    assert len(plant.get(path)) == 1


def test_one_photo_for_two_remarks_is_kept_once(plant: Plant, load: Any):
    remarks = [note(plant, load, kind=kind, photo_base64=base64(PHOTO)) for kind in ("wet", "odour")]
    assert len({remark["photo_sha256"] for remark in remarks}) == 1
    report = examine(plant.database)
    assert (report.faults, report.photos) == ([], 1)


def test_a_withdrawn_remark_stays_readable_with_its_reason(plant: Plant, load: Any):
    kept, taken_back = note(plant, load), note(plant, load, kind="odour", photo_base64=base64(PHOTO))
    answer = withdraw(plant, taken_back)
    assert answer == taken_back | {"is_withdrawn": True}
    path = f"/v1/deliveries/{load['id']}"
    assert plant.get(path)["remarks"] == plant.get(f"{path}/remarks") == [kept]
    versions = plant.get(f"{path}/versions")["remarks"]
    assert [row["facts"] for row in versions] == [kept, taken_back, answer]
    assert versions[2]["stamp"]["reason"] == "it was the other truck"
    assert [row["stamp"]["is_withdrawn"] for row in versions] == [False, False, True]
    assert plant.client.get(path_of(taken_back, "/photo")).status_code == 200
    assert withdraw(plant, taken_back, status=409)["code"] == "remark-withdrawn"
    assert examine(plant.database).faults == []


def test_what_was_known_before_and_between(plant: Plant, load: Any):
    before = stamp(plant)
    remark = note(plant, load, photo_base64=base64(PHOTO))
    between = stamp(plant)
    withdraw(plant, remark)
    after = stamp(plant)
    path = f"/v1/deliveries/{load['id']}"
    for moment, remarks in ((before, []), (between, [remark]), (after, [])):
        assert plant.get(f"{path}?known_at={moment}")["remarks"] == remarks
        assert plant.get(f"{path}/remarks?known_at={moment}") == remarks
    assert plant.get(f"{path}?known_at={before}") == load


def test_a_rejected_load_may_be_remarked_upon_and_a_reversed_one_not(plant: Plant, load: Any):
    act(plant, load, "rejections", whole_load=True, on_truck_at_tare=False, reason="smells of solvent")
    remark = note(plant, load, kind="odour", photo_base64=base64(PHOTO))
    act(plant, load, "reversal", reason="entered twice")
    assert plant.get(f"/v1/deliveries/{load['id']}/remarks") == [remark]
    before = everything_in(plant.database)
    assert note(plant, load, status=409)["code"] == "delivery-reversed"
    assert withdraw(plant, remark, status=409)["code"] == "delivery-reversed"
    assert everything_in(plant.database) == before


# Refusals -------------------------------------------------------------------------------------------


def test_bad_remarks_change_nothing(plant: Plant):
    gate = Gate(plant)
    path = f"/v1/deliveries/{gate.ticket}/remarks"
    invalid = (422, "invalid-request")
    gate.refuses(path, {}, *invalid, "/kind")
    gate.refuses(path, {"kind": "ugly"}, *invalid, "/kind")
    gate.refuses(path, {"kind": "other"}, *invalid, "/note")
    gate.refuses(path, {"kind": "wet", "note": ""}, *invalid, "/note")
    gate.refuses(path, {"kind": "wet", "note": "n" * 401}, *invalid, "/note")
    gate.refuses(path, {"kind": "wet", "lot": "short"}, *invalid, "/lot")
    gate.refuses(path, {"kind": "wet", "photo": "x"}, *invalid, "/photo")
    not_base64: tuple[Any, ...] = ("", "===", "é", 5, [], True)
    for no_base64 in not_base64:
        gate.refuses(path, {"kind": "wet", "photo_base64": no_base64}, *invalid, "/photo_base64")
    gate.refuses(path, {"kind": "wet", "noticed_at": at(7)}, 422, "time-in-future", "/noticed_at")
    gate.refuses("/v1/deliveries/77/remarks", {"kind": "wet"}, 404, "delivery-not-found")


def test_a_bale_of_another_delivery_is_refused(plant: Plant, load: Any):
    supplier(plant, "SOUTH")
    other = plant.post("/v1/deliveries", ticket(supplier="SOUTH", note_count=1, gross=reading("20000")))
    stranger = act(plant, other, "bales", count=1)["bales"][0]["code"]
    before = everything_in(plant.database)
    refused = act(plant, load, "remarks", kind="wet", lot=stranger, status=422)
    assert (refused["code"], refused["errors"][0]["pointer"]) == ("lot-not-of-delivery", "/lot")
    assert stranger in refused["errors"][0]["detail"]
    assert load["ticket_no"] in refused["errors"][0]["detail"]
    for unknown in ("0000000000", "not-a-code"):
        refused = act(plant, load, "remarks", kind="wet", lot=unknown, status=422)
        assert (refused["code"], refused["errors"][0]["pointer"]) == ("lot-not-of-delivery", "/lot")
    assert everything_in(plant.database) == before
    assert plant.get(f"/v1/deliveries/{other['id']}")["remarks"] == []


def test_a_remark_of_another_delivery_is_not_found(plant: Plant, load: Any):
    remark = note(plant, load, photo_base64=base64(PHOTO))
    other = arrive(plant)
    elsewhere = remark | {"delivery_id": other["id"]}
    assert withdraw(plant, elsewhere, status=404)["code"] == "remark-not-found"
    problem_of(plant.client.get(path_of(elsewhere, "/photo")), 404, "remark-not-found")
    problem_of(plant.client.get(path_of(remark | {"id": 77}, "/photo")), 404, "remark-not-found")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"A letter, not a photo.", "no picture of a known kind"),
        (png_of_size(30_000, 30_000), "900000000 pixels"),
        (png_of_size(9_000, 9_000), "9000 x 9000 pixels"),
        (png_of_size(1, 1), "1 x 1 pixels"),
        (PHOTO[:-20], "damaged or cut off"),
    ],
)
def test_what_is_no_photo_is_refused_with_its_field(plant: Plant, content: bytes, words: str):
    gate = Gate(plant)
    path = f"/v1/deliveries/{gate.ticket}/remarks"
    body = {"kind": "wet", "photo_base64": base64(content)}
    problem = gate.refuses(path, body, 422, "photo-refused", "/photo_base64")
    assert words in problem["errors"][0]["detail"]
    assert problem["errors"][0]["remedy"].startswith("Send ")


def test_a_data_url_is_refused_and_not_read_as_something_else(plant: Plant):
    gate = Gate(plant)
    body = {"kind": "wet", "photo_base64": f"data:image/jpeg;base64,{base64(PHOTO)}"}
    gate.refuses(f"/v1/deliveries/{gate.ticket}/remarks", body, 422, "photo-refused", "/photo_base64")


def test_the_verb_keeps_no_photo_as_the_phone_took_it(plant: Plant, load: Any):
    """Only a mistake in code could do that; the photo would say where it was taken."""
    as_taken = RemarkIn(kind=RemarkKind.WET, photo_base64=base64(PHOTO).encode())
    before = everything_in(plant.database)

    def record(entry: Entry) -> None:
        record_remark(entry, load["id"], as_taken)

    with pytest.raises(AssertionError, match="stored_photo"):
        plant.writer.run(1, record)
    assert everything_in(plant.database) == before


# Erasing --------------------------------------------------------------------------------------------


def test_an_erased_photo_is_gone_and_the_record_agrees(plant: Plant, load: Any):
    remark = note(plant, load, photo_base64=base64(PHOTO))
    other = note(plant, load, photo_base64=base64(corner_photo(orientation=3)))
    directly(
        plant, update(Attachment).where(table_of(Attachment).c.sha256 == remark["photo_sha256"]).values(content=None)
    )
    problem = problem_of(plant.client.get(path_of(remark, "/photo")), 404, "photo-erased")
    assert remark["photo_sha256"] in problem["detail"]
    assert plant.client.get(path_of(other, "/photo")).status_code == 200
    shown = plant.get(f"/v1/deliveries/{load['id']}")["remarks"]
    assert shown == [remark | {"photo_is_erased": True}, other]
    report = examine(plant.database)
    assert (report.faults, report.photos, report.erased_photos) == ([], 2, 1)


def test_an_erased_photo_does_not_come_back(plant: Plant, load: Any):
    remark = note(plant, load, photo_base64=base64(PHOTO))
    directly(plant, update(Attachment).values(content=None))
    before = everything_in(plant.database)
    refused = act(plant, load, "remarks", kind="odour", photo_base64=base64(PHOTO), status=409)
    assert (refused["code"], refused["errors"][0]["pointer"]) == ("photo-erased", "/photo_base64")
    assert remark["photo_sha256"] in refused["errors"][0]["detail"]
    assert everything_in(plant.database) == before


def test_an_erased_note_leaves_the_remark(plant: Plant, load: Any):
    remark = note(plant, load, kind="other", note="seen by M. Invented")
    with plant.database.read() as session:
        note_id = session.execute(select(table_of(Remark).c.note_id)).scalar_one()
    directly(plant, update(PrivateText).where(table_of(PrivateText).c.id == note_id).values(text=None))
    assert plant.get(f"/v1/deliveries/{load['id']}/remarks") == [remark | {"note": None}]
    assert examine(plant.database).faults == []


# What verification finds ----------------------------------------------------------------------------


@pytest.fixture
def photo(plant: Plant, load: Any) -> dict[str, Any]:
    """The stored photo of a remark, in a database without its own guards."""
    note(plant, load, photo_base64=base64(PHOTO))
    assert examine(plant.database).faults == []
    remove_guards(plant.database)
    return row_at(plant.database, table_of(Attachment))


def faults(plant: Plant) -> list[tuple[tuple[str, ...], str | None]]:
    return [(fault.tables, fault.column) for fault in examine(plant.database).faults]


@pytest.mark.parametrize("place", [3, 300, -1])
def test_a_flipped_byte_of_a_photo_is_named(plant: Plant, photo: dict[str, Any], place: int):
    content = bytearray(photo["content"])
    content[place] ^= 1
    overwrite(plant.database, table_of(Attachment), photo, content=bytes(content))
    assert faults(plant) == [(("attachment",), "content")]


def test_another_photo_in_its_place_is_named(plant: Plant, photo: dict[str, Any]):
    content = stored_photo(corner_photo(orientation=3))
    overwrite(plant.database, table_of(Attachment), photo, content=content, size_bytes=len(content))
    assert faults(plant) == [(("attachment",), "content")]


def test_a_photo_that_is_not_there_at_all_is_named(plant: Plant, photo: dict[str, Any]):
    with unguarded(plant.database) as connection:
        connection.execute(delete(table_of(Attachment)))
    [fault] = examine(plant.database).faults
    assert (fault.tables, fault.recomputed) == (("attachment",), "no row, not even erased")
    assert photo["sha256"] in fault.key


def test_a_photo_that_nothing_names_is_named(plant: Plant, photo: dict[str, Any]):
    content = stored_photo(corner_photo(orientation=3))
    added = photo | {"sha256": hashlib.sha256(content).hexdigest(), "content": content, "size_bytes": len(content)}
    with unguarded(plant.database) as connection:
        connection.execute(insert(table_of(Attachment)).values(added))
    [fault] = examine(plant.database).faults
    assert (fault.tables, fault.recomputed) == (("attachment",), "no fact that names it")


def test_a_moved_time_of_a_photo_is_named(plant: Plant, photo: dict[str, Any]):
    earlier = photo["stored_at"] - timedelta(microseconds=1)
    overwrite(plant.database, table_of(Attachment), photo, stored_at=earlier)
    assert faults(plant) == [(("attachment",), "stored_at")]


def test_a_remark_on_a_bale_that_came_otherwise_is_named(plant: Plant, load: Any):
    """As a faulty verb would store it, with hashes that agree."""
    other = arrive(plant)
    bale = note(plant, load, lot=load["bales"][0]["code"])
    row = row_at(plant.database, table_of(Remark))

    def mistake(entry: Entry) -> int:
        entry.open(1, "mistake_made")
        number = entry.new_id("remark")
        entry.add(Remark(id=number, delivery_id=other["id"], lot_id=row["lot_id"], kind=RemarkKind.WET))
        return number

    number = plant.writer.run(1, mistake)
    [fault] = examine(plant.database).faults
    assert (fault.tables, fault.column, fault.key) == (("remark",), "delivery_id", f"id={number} version=1")
    assert (fault.recorded, fault.recomputed) == (str(other["id"]), str(bale["delivery_id"]))
