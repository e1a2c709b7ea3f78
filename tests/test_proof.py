"""Sign-off and proof: what was altered after the fact is told, and which; so is what is not."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from kept_job import SEAM, judged, keep, outline, photo, spot, write_job
from test_record import raw

from fullhide import cli, proof
from fullhide.errors import FullhideError, JobError
from fullhide.job import Job, load_job
from fullhide.record import Record
from fullhide.standing import standing

SPOT = spot(1, 4.0, (100.0, 100.0))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    """A job of two photos that passes."""
    (tmp_path / "board.jpg").write_bytes(b"board")
    job = write_job(
        tmp_path,
        photo("seat.jpg", grey_board="board.jpg"),
        photo("front.jpg"),
        outlines=[outline("seat.jpg", "seat"), outline("front.jpg", "front")],
    )
    keep(job, "seat.jpg", judged("pass"))
    keep(job, "front.jpg", judged("pass", name="front"))
    return job


def told(job: Job, **more: Any) -> list[tuple[str, str]]:
    found = proof.verify(load_job(job.folder), **more)
    assert found.sound == (not found.altered)
    return [(item.what, item.says) for item in found.altered]


def in_the_file(job: Job, *statements: str) -> None:
    """Change the record behind fullhide's back, its own guards taken away first."""
    with closing(raw(Record(job.folder))) as connection:
        for name in ("event_is_kept", "event_is_fixed", "event_is_chained"):
            connection.execute(f"DROP TRIGGER IF EXISTS {name}")
        for statement in statements:
            connection.execute(statement)


def made_anew(job: Job, change: Callable[[int, dict[str, Any]], None]) -> None:
    """Change events and chain all of them anew, as someone who knows the format could."""
    events = Record(job.folder).events()
    in_the_file(job, "DELETE FROM event WHERE number > 0")
    previous = "0" * 64
    with closing(raw(Record(job.folder))) as connection:
        for e in events:
            body = json.loads(e.body)
            change(e.number, body)
            text = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            row = [e.number, e.kind, e.at, e.by, e.subject, text, previous]
            whole = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
            seal = hashlib.sha256(whole.encode()).hexdigest()
            connection.execute(
                "INSERT INTO event (number, kind, at, by, subject, body, previous, hash) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (*row, seal),
            )
            previous = seal


def test_a_job_that_nobody_touched_is_sound(job: Job) -> None:
    assert told(job) == []
    found = proof.verify(job)
    assert (found.events, found.files, found.notes) == (2, 3, ())
    assert found.seal == Record(job.folder).events()[-1].hash


@pytest.mark.parametrize(
    ("file", "data"),
    [
        ("seat.jpg", b"seat.jpG"),  # of the same length
        ("seat.jpg", None),
        ("board.jpg", b"another board"),
        ("front.jpg", b""),
    ],
)
def test_a_photo_that_was_altered_is_named(job: Job, file: str, data: bytes | None) -> None:
    path = job.path(file)
    if data is None:
        path.unlink()
        found = proof.verify(job)
        (item,) = found.altered
        assert (item.what, "is gone" in item.says) == ("photo", True)
    else:
        path.write_bytes(data)
        ((what, says),) = told(job)
        assert what == "photo"
        assert f"`{file}` is not the file that was inspected" in says


@pytest.mark.parametrize(
    ("old", "new", "file", "says"),
    [
        ("[38.0, -28.0, 9.0]", "[38.0, -28.0, 9.5]", "job.toml", "the colours"),
        (
            "[[under]]",
            "[limits]\nshow_through_mm2 = 5.0\n[[under]]",
            "job.toml",
            "the limits (show_through_mm2 from 1 to 5)",
        ),
        ("[500.0, 60.0]", "[499.0, 60.0]", "regions.geojson", "its outlines"),
        ('"front"', '"frond"', "regions.geojson", "its outlines"),
    ],
)
def test_outlines_and_limits_that_were_altered_are_named_with_their_photo(
    job: Job, old: str, new: str, file: str, says: str
) -> None:
    path = job.path(file)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    found = told(job)
    assert found
    assert all(what == "settings" for what, _ in found)
    assert all(says in text for _, text in found)
    assert all(".jpg`" in text for _, text in found)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            "UPDATE event SET body = replace(body, '\"pass\"', '\"fail\"') WHERE number = 1",
            "of `seat.jpg` was changed",
        ),
        ("UPDATE event SET by = 'Sam' WHERE number = 2", "of `front.jpg` was changed"),
        ("UPDATE event SET at = '2020-01-01T00:00:00Z' WHERE number = 1", "`seat.jpg` was"),
        ("DELETE FROM event WHERE number = 1", "something was removed before event 2"),
        ("UPDATE event SET previous = hash, hash = 'x' WHERE number = 1", "was changed"),
    ],
)
def test_results_that_were_altered_are_named(job: Job, change: str, says: str) -> None:
    in_the_file(job, change)
    found = told(job)
    assert {what for what, _ in found} == {"record"}
    assert any(says in text for _, text in found)
    with pytest.raises(JobError, match="was altered"):
        proof.sign(job, by="Robin", despite="whatever")


def test_an_event_that_was_replaced_by_one_with_a_hash_of_its_own_breaks_the_chain(job) -> None:
    first = Record(job.folder).events()[0]
    row = [1, first.kind, first.at, "Sam", None, first.body, first.previous]
    whole = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
    seal = hashlib.sha256(whole.encode()).hexdigest()
    in_the_file(job, f"UPDATE event SET by = 'Sam', hash = '{seal}' WHERE number = 1")
    ((what, says),) = told(job)
    assert what == "record"
    assert says.startswith("what came before event 2 (inspection, ")


def test_a_record_made_anew_as_a_whole_is_told_by_the_seal_and_by_the_key_only(
    job: Job, key: Path
) -> None:
    signature, _ = proof.sign(job, by="Robin", key=key)

    def passed(number: int, body: dict[str, Any]) -> None:
        if number == 1:
            body["photo"]["regions"][0]["findings"] = []
            body["photo"]["regions"][0]["detectable_mm2"] = 0.1

    made_anew(job, passed)
    # The signature names the record that it was made of.
    assert [what for what, _ in told(job)] == ["signature"]
    assert "is of another record" in told(job)[0][1]
    assert "given seal" in told(job, seal=signature.hash)[0][1]

    def stripped(number: int, body: dict[str, Any]) -> None:
        if number == 3:
            statement = json.loads(body["statement"])
            statement["previous"] = Record(job.folder).events()[1].hash
            text = json.dumps(statement, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            body.update(statement=text, signature="", public_key="")

    made_anew(job, stripped)
    assert told(job) == []  # what the README says it does not prove
    assert "given seal" in told(job, seal=signature.hash)[0][1]
    assert told(job, key=key) == [("signature", "the newest signature is not of the given key")]


def test_a_record_that_was_cut_short_is_told_by_the_seal(job: Job) -> None:
    signature, _ = proof.sign(job, by="Robin")
    in_the_file(job, "DELETE FROM event WHERE number = 3")
    assert told(job) == []
    assert "cut short" in told(job, seal=signature.hash)[0][1]
    assert told(job, seal=Record(job.folder).events()[1].hash.upper()) == []


# Signing


def test_an_open_gate_is_signed_and_the_signature_names_every_file(job: Job) -> None:
    signature, now = proof.sign(job, by="Robin")
    assert (signature.by, signature.despite, signature.gate) == ("Robin", "", ())
    assert now.gate.open
    names = ["job.toml", "regions.geojson", "seat.jpg", "board.jpg", "front.jpg"]
    assert [file.file for file in signature.files] == names
    for file in signature.files:
        data = job.path(file.file).read_bytes()
        assert file.sha256 == hashlib.sha256(data).hexdigest()
    assert standing(job).signed == signature
    assert told(job) == []
    assert told(job, seal=signature.hash) == []


def test_what_was_signed_and_changed_since_is_named(job: Job) -> None:
    proof.sign(job, by="Robin")
    path = job.path("job.toml")
    path.write_text(path.read_text() + "# a harmless line\n")
    assert [what for what, _ in told(job)] == ["signed"]
    assert "`job.toml` was changed since it was signed" in told(job)[0][1]


@pytest.mark.parametrize("by", ["", "  \n"])
def test_nobody_signs_without_a_name(job: Job, by: str) -> None:
    with pytest.raises(JobError, match="name"):
        proof.sign(job, by=by)
    assert standing(job).signatures == ()


def test_a_closed_gate_is_signed_only_with_a_reason_that_is_kept(job: Job) -> None:
    keep(job, "seat.jpg", judged("fail", SPOT))
    with pytest.raises(JobError, match="is not signed: not to be reassembled yet: 1 region fails"):
        proof.sign(job, by="Robin")
    with pytest.raises(JobError, match="not signed"):
        proof.sign(job, by="Robin", despite="   ")
    signature, _ = proof.sign(job, by="Robin", despite="the owner\nasked for it")
    assert signature.despite == "the owner asked for it"
    assert signature.gate == ("bench: seat: fail: why it is fail",)


def test_an_altered_photo_is_not_signed_without_a_reason(job: Job) -> None:
    job.path("seat.jpg").write_bytes(b"seat.jpG")  # its size tells nothing
    with pytest.raises(JobError, match="not the file that was inspected"):
        proof.sign(job, by="Robin")
    signature, _ = proof.sign(job, by="Robin", despite="a copy")
    assert "seat.jpg" in signature.gate[0]


def test_what_was_added_after_the_signature_is_a_note_and_wants_a_new_one(job: Job) -> None:
    proof.sign(job, by="Robin")
    keep(job, "seat.jpg", judged("pass"))
    found = proof.verify(job)
    assert found.sound
    assert any("added to since" in note for note in found.notes)
    assert standing(job).signed is None
    proof.sign(job, by="Robin")
    assert proof.verify(job).notes == ()
    assert standing(job).signed is not None


def test_what_another_process_adds_meanwhile_is_not_signed_unseen(job: Job, monkeypatch) -> None:
    files = proof._files

    def slow(of: Job) -> Any:
        keep(job, "seat.jpg", judged("fail", SPOT))
        return files(of)

    monkeypatch.setattr(proof, "_files", slow)
    with pytest.raises(JobError, match="added to by another process"):
        proof.sign(job, by="Robin")


# The shop's key


def pem(folder: Path, name: str, private: Any, *, locked: bool = False) -> Path:
    how = BestAvailableEncryption(b"secret") if locked else NoEncryption()
    path = folder / name
    path.write_bytes(private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, how))
    return path


@pytest.fixture
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pem(tmp_path_factory.mktemp("keys"), "shop.pem", Ed25519PrivateKey.generate())


def test_a_signature_with_a_key_is_one_that_anybody_can_check(job: Job, key: Path) -> None:
    signature, _ = proof.sign(job, by="Robin", key=key)
    # By the reference library itself, from what is in the record.
    public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signature.public_key))
    public.verify(bytes.fromhex(signature.signature), signature.statement.encode())
    with pytest.raises(InvalidSignature):
        public.verify(bytes.fromhex(signature.signature), signature.statement.encode() + b" ")
    said = json.loads(signature.statement)
    assert (said["by"], said["previous"]) == ("Robin", Record(job.folder).events()[1].hash)
    assert told(job, key=key) == []
    shown = key.with_name("public.pem")
    spki = PublicFormat.SubjectPublicKeyInfo
    shown.write_bytes(public.public_bytes(Encoding.PEM, spki))
    assert told(job, key=shown) == []
    raw_key = bytes.fromhex(signature.public_key)
    assert proof.verify(job).key == hashlib.sha256(raw_key).hexdigest()


def test_another_key_and_a_forged_signature_are_told(job: Job, key: Path) -> None:
    other = pem(key.parent, "other.pem", Ed25519PrivateKey.generate())
    proof.sign(job, by="Robin", key=key)
    assert told(job, key=other) == [("signature", "the newest signature is not of the given key")]

    def forged(number: int, body: dict[str, Any]) -> None:
        if number == 3:
            body["statement"] = body["statement"].replace('"despite":""', '"despite":"x"')

    made_anew(job, forged)
    ((what, says),) = told(job)
    assert (what, "does not fit its key" in says) == ("signature", True)


def test_keys_that_cannot_be_used_are_one_line_and_nothing_is_signed(job: Job, key: Path) -> None:
    folder = key.parent
    (folder / "text.pem").write_text("no key")
    bad = {
        "is no private key": folder / "text.pem",
        "is no Ed25519 key": pem(folder, "ec.pem", generate_private_key(SECP256R1())),
        "locked with a password": pem(folder, "l.pem", Ed25519PrivateKey.generate(), locked=True),
        "cannot be read": folder / "missing.pem",
    }
    for says, path in bad.items():
        with pytest.raises(JobError, match=says):
            proof.sign(job, by="Robin", key=path)
    assert standing(job).signatures == ()


def test_without_the_package_a_key_is_refused_in_one_line(job, key, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "cryptography", None)
    with pytest.raises(JobError, match=r"fullhide\[sign\]"):
        proof.sign(job, by="Robin", key=key)
    proof.sign(job, by="Robin")  # without a key nothing is missing


def test_the_package_is_loaded_only_for_a_key() -> None:
    code = "import sys, fullhide.proof; print('cryptography' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# The commands


def run(capfd: Any, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as caught:
        cli.main([str(argument) for argument in arguments])
    out, err = capfd.readouterr()
    assert "Traceback" not in err
    return int(caught.value.code or 0), out, err


def test_sign_prints_the_seal_and_status_who_signed(job: Job, key: Path, capfd) -> None:
    status, out, _ = run(capfd, "sign", job.folder, "--by", "Robin", "--key", key)
    seal = Record(job.folder).events()[-1].hash
    assert status == 0
    assert f"Seal: {seal}" in out
    assert "signed by Robin" in out
    assert "Signed by Robin" in run(capfd, "status", job.folder)[1]
    status, out, _ = run(capfd, "verify", job.folder, "--seal", seal, "--key", key)
    assert (status, "Nothing was altered: 3 events and 5 files" in out) == (0, True)


def test_sign_refuses_in_one_line_and_shows_the_reason_everywhere_if_given(job, capfd) -> None:
    keep(job, "seat.jpg", judged("fail", SPOT))
    status, out, err = run(capfd, "sign", job.folder, "--by", "Robin")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "--despite" in err
    status, out, _ = run(capfd, "sign", job.folder, "--by", "Robin", "--despite", "owner's wish")
    assert (status, "Despite: owner's wish\n  - bench: seat: fail" in out) == (0, True)
    status, out, _ = run(capfd, "status", job.folder)
    assert (status, "despite: owner's wish" in out) == (1, True)


def test_verify_names_what_was_altered_and_answers_1(job: Job, capfd) -> None:
    job.path("seat.jpg").write_bytes(b"seat.jpG")
    status, out, _ = run(capfd, "verify", job.folder)
    assert status == 1
    assert out.startswith("ALTERED: `seat.jpg` is not the file that was inspected")
    assert "Something was altered" in out


def test_verify_without_a_record_is_one_line(tmp_path: Path, capfd) -> None:
    write_job(tmp_path, photo("seat.jpg"))
    status, _, err = run(capfd, "verify", tmp_path)
    assert (status, err.count("\n"), "holds no record" in err) == (2, 1, True)


def test_a_photo_taken_out_of_the_job_is_noted(job: Job) -> None:
    keep(job, "seat.jpg", judged("fail", SPOT))
    write_job(job.folder, photo("front.jpg"), outlines=[outline("front.jpg", "front", SEAM)])
    found = proof.verify(load_job(job.folder))
    assert "`seat.jpg` was inspected and is no longer in job.toml" in found.notes


@pytest.mark.parametrize("seal", ["", "abc", "0" * 63, "g" * 64, "é" * 64])
def test_half_a_seal_is_refused_and_says_nothing_of_the_record(capfd, job: Job, seal: str) -> None:
    status, out, err = run(capfd, "verify", job.folder, "--seal", seal)
    assert (status, out) == (2, "")
    assert "no whole seal" in err
    assert len(err.splitlines()) == 1


def test_a_seal_written_in_groups_is_the_same(job: Job) -> None:
    seal = Record(job.folder).events()[-1].hash
    groups = " ".join(seal[at : at + 8] for at in range(0, 64, 8))
    assert told(job, seal=f" {groups}\n") == []


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(st.data())
def test_a_record_with_any_bytes_changed_is_told_or_refused_and_never_a_traceback(
    job: Job, data: st.DataObject
) -> None:
    path = Record(job.folder).path
    whole = path.read_bytes()
    changed = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        changed[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(changed)
    try:
        with suppress(FullhideError):  # one line by its own making: test_bad_input
            standing(job)
            proof.verify(job)
    finally:
        for left in job.folder.glob("inspections.sqlite-*"):
            left.unlink()
        path.write_bytes(whole)


@pytest.mark.parametrize(
    "body",
    ["{}", "[]", "3", '{"photo": {}}', '{"photo": {"file": "seat.jpg", "sha256": 3}}'],
)
def test_an_event_that_says_nothing_sensible_is_refused_in_one_line(job: Job, body: str) -> None:
    in_the_file(job, f"UPDATE event SET body = '{body}' WHERE number = 2")
    with pytest.raises(JobError, match="damaged") as told:
        standing(job)
    assert "\n" not in str(told.value)
