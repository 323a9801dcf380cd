"""The file in the study folder: damaged, locked, missing, read only, full, old, new, foreign; each said in our words."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import event
from study_folders import study_in

from workbench.errors import StudyError, WorkbenchError
from workbench.store import schema
from workbench.store.database import StoreError
from workbench.store.opening import DECISIONS, has_store, open_store, place_findings
from workbench.store.operations import new_operation
from workbench.store.schema import MIGRATIONS, Migration

NOBODY = 65534


@pytest.fixture
def study(tmp_path):
    return study_in(tmp_path / "study")


def op(key="k", **content):
    return new_operation("R1", "coding", key, {"code": "HEFT"} | content)


def written(study, number=3):
    """The ids in a database that was written and closed."""
    with open_store(study) as journal:
        return [entry.id for entry in journal.record(op(f"k{n}") for n in range(number))]


def ids(study):
    with open_store(study) as journal:
        return [entry.id for entry in journal.history()]


def refused(action, *arguments, **further):
    """The one finding of the refusal; it names the file and says what to do."""
    with pytest.raises(StoreError) as raised:
        action(*arguments, **further)
    assert isinstance(raised.value, StudyError)
    assert isinstance(raised.value, WorkbenchError)
    (finding,) = raised.value.findings
    assert (finding.severity, finding.file) == ("blocks", DECISIONS)
    assert finding.found
    assert finding.remedy
    return finding


def test_the_file_is_flushed_at_every_commit_and_keeps_a_log(study):
    with open_store(study) as journal, journal._database.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar() == 15_000


@pytest.mark.parametrize("name", ["with blank", "100%", "a?b#c", "日本", "it's"])
def test_any_folder_name_will_do(tmp_path, name):
    study = study_in(tmp_path / name)
    kept = written(study)
    assert ids(study) == kept
    assert study.path(DECISIONS).exists()


def test_there_is_none_until_something_opens_it(study):
    assert not has_store(study)
    assert "no database" in refused(open_store, study, create=False).found
    assert not has_store(study)
    open_store(study).close()
    assert has_store(study)
    open_store(study, create=False).close()


def test_a_damaged_file_is_refused_and_left_alone(study):
    written(study)
    file = study.path(DECISIONS)
    file.write_bytes(b"no database at all" * 500)
    before = file.read_bytes()
    assert "damaged" in refused(open_store, study).found
    assert file.read_bytes() == before


def test_a_file_damaged_in_the_middle_is_told_when_it_is_read(study):
    written(study, 2000)
    file = study.path(DECISIONS)
    content = bytearray(file.read_bytes())
    content[8192:-8192] = os.urandom(len(content) - 16384)
    file.write_bytes(content)
    with open_store(study) as journal:
        assert "damaged" in refused(lambda: (journal.check(), journal.history())).found


def test_a_truncated_file_is_told(study):
    written(study, 2000)
    file = study.path(DECISIONS)
    file.write_bytes(file.read_bytes()[:50_000])

    def read():
        with open_store(study) as journal:
            journal.history()

    assert "damaged" in refused(read).found


def test_check_finds_damage(study):
    written(study, 500)
    with open_store(study) as journal:
        with journal._database.writing() as connection:
            connection.exec_driver_sql("PRAGMA writable_schema = ON")
            connection.exec_driver_sql("UPDATE sqlite_master SET rootpage = 3 WHERE name = 'journal_by'")
        with closing(sqlite3.connect(study.path(DECISIONS))) as other:
            assert other.execute("PRAGMA quick_check").fetchall() != [("ok",)]
    with open_store(study) as journal:
        try:
            (finding, *_) = journal.check()
        except StoreError as error:
            (finding,) = error.findings
    assert "damaged" in finding.found


def test_a_locked_file_is_told_after_waiting_and_nothing_is_lost(study):
    kept = written(study)
    with open_store(study, patience=0.05) as journal:
        with closing(sqlite3.connect(study.path(DECISIONS), isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            late = op("late")
            assert "locked" in refused(journal.record, [late]).found
            assert [entry.id for entry in journal.history()] == kept
            other.execute("ROLLBACK")
        journal.record([late])
    assert ids(study) == [*kept, late.id]


@pytest.mark.parametrize("how", ["removed", "replaced", "moved"])
def test_a_file_that_goes_away_while_it_is_open_is_noticed(study, tmp_path, how):
    kept = written(study)
    file = study.path(DECISIONS)
    with open_store(study) as journal:
        if how == "removed":
            file.unlink()
        elif how == "moved":
            file.rename(tmp_path / "elsewhere.sqlite")
        else:
            shutil.copy(file, tmp_path / "copy")
            os.replace(tmp_path / "copy", file)
        assert "moved, removed or replaced" in refused(journal.record, [op("late")]).found
        assert "moved, removed or replaced" in refused(journal.history).found
    if how == "replaced":
        assert ids(study) == kept


def test_a_log_without_its_database_is_not_thrown_away(study):
    log = study.path(f"{DECISIONS}-wal")
    log.write_bytes(b"x" * 5000)
    assert "log" not in refused(open_store, study).remedy
    assert log.read_bytes() == b"x" * 5000


def test_a_folder_that_is_gone_is_told(study):
    shutil.rmtree(study.folder)
    assert "cannot be opened" in refused(open_store, study).found


def test_a_full_disk_is_told_and_what_was_acknowledged_stays(study):
    kept = written(study)
    with open_store(study) as journal:
        event.listen(
            journal._database.engine, "checkout", lambda one, *_: one.execute("PRAGMA max_page_count = 40").close()
        )
        finding = refused(lambda: [journal.record([op(f"n{n}", quote="x" * 3000)]) for n in range(200)])
        assert "no room" in finding.found
        after = [entry.id for entry in journal.history()]
    assert after[:3] == kept
    assert len(after) > 3
    assert ids(study) == after
    with open_store(study) as journal:
        assert journal.check() == []
        journal.record([op("again")])


@contextmanager
def as_somebody_without_rights(folder: Path):
    """Run as an ordinary person, where root may do anything, and take the right to write in a folder."""
    root = os.geteuid() == 0
    modes = {path: path.stat().st_mode & 0o777 for path in (folder, *folder.iterdir())}
    for path in modes:
        path.chmod(0o555 if path.is_dir() else 0o444)
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        for path, mode in modes.items():
            path.chmod(mode)


@pytest.fixture
def open_folder():
    """A folder that everybody may enter, unlike pytest's."""
    folder = Path(tempfile.mkdtemp(prefix="wb-read-only-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def test_a_read_only_folder_can_be_read_and_says_so_when_written(open_folder):
    study = study_in(open_folder / "study")
    kept = written(study)
    with as_somebody_without_rights(study.folder), open_store(study) as journal:
        assert [entry.id for entry in journal.history()] == kept
        assert "may not be written" in refused(journal.record, [op()]).found
    assert ids(study) == kept


def test_a_read_only_folder_without_a_database_is_told(open_folder):
    study = study_in(open_folder / "study")
    with as_somebody_without_rights(study.folder):
        assert "cannot be opened" in refused(open_store, study).found


def test_a_database_of_another_program_is_left_alone(study):
    with closing(sqlite3.connect(study.path(DECISIONS))) as other:
        other.execute("CREATE TABLE photos (a)")
    before = study.path(DECISIONS).read_bytes()
    assert "another program" in refused(open_store, study).found
    with closing(sqlite3.connect(study.path(DECISIONS))) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("photos",)]
    assert len(before) == study.path(DECISIONS).stat().st_size


# migrations


def later(*makes):
    numbered = enumerate(makes, start=len(MIGRATIONS) + 1)
    return (*MIGRATIONS, *(Migration(number, f"later {number}", make) for number, make in numbered))


def test_a_database_of_a_newer_version_is_refused_and_left_alone(study, monkeypatch):
    with monkeypatch.context() as newer:
        newer.setattr(schema, "MIGRATIONS", later(lambda connection: None))
        kept = written(study)
    finding = refused(open_store, study)
    assert "newer version" in finding.found
    assert "Update" in finding.remedy
    monkeypatch.setattr(schema, "MIGRATIONS", later(lambda connection: None))
    assert ids(study) == kept


def test_an_older_database_is_copied_aside_and_brought_up_to_date(study, monkeypatch):
    kept = written(study)
    monkeypatch.setattr(
        schema, "MIGRATIONS", later(lambda connection: connection.exec_driver_sql("CREATE TABLE further (a INTEGER)"))
    )
    assert ids(study) == kept
    copy = study.path(f"{DECISIONS}.before-step-2")
    with closing(sqlite3.connect(copy)) as old, closing(sqlite3.connect(study.path(DECISIONS))) as new:
        assert old.execute("SELECT id FROM journal ORDER BY seq").fetchall() == [(one,) for one in kept]
        assert old.execute("SELECT count(*) FROM sqlite_master WHERE name = 'further'").fetchone() == (0,)
        assert new.execute("SELECT count(*) FROM further").fetchone() == (0,)
        assert new.execute("SELECT number, name FROM migrations").fetchall() == [(1, "journal"), (2, "later 2")]
    written(study)
    with closing(sqlite3.connect(copy)) as old:
        assert old.execute("SELECT count(*) FROM journal").fetchone() == (len(kept),), "Only migrations copy."


def test_a_step_that_fails_leaves_the_database_as_it_was(study, monkeypatch):
    kept = written(study)

    def half(connection):
        connection.exec_driver_sql("CREATE TABLE half (a INTEGER)")
        connection.exec_driver_sql("CREATE TABLE half (a INTEGER)")

    with monkeypatch.context() as failing:
        failing.setattr(schema, "MIGRATIONS", later(lambda connection: None, half))
        refused(open_store, study)
    monkeypatch.setattr(schema, "MIGRATIONS", later(lambda connection: None))
    assert ids(study) == kept
    with closing(sqlite3.connect(study.path(DECISIONS))) as new:
        assert new.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
        assert new.execute("SELECT max(number) FROM migrations").fetchone() == (2,)


# erasing


def test_no_byte_of_what_was_erased_is_left_in_the_folder(study, monkeypatch):
    said = "Xanthippe said so"
    with open_store(study) as journal:
        journal.record([op(f"k{n}", quote=said) for n in range(300)])
    monkeypatch.setattr(schema, "MIGRATIONS", later(lambda connection: None))
    with open_store(study) as journal:
        assert study.path(f"{DECISIONS}.before-step-2").exists()
        journal.record([op("kept")])
        journal.erase(lambda entry: entry.key != "kept", by="R1", why="withdrew")
        for file in study.folder.glob(f"*{DECISIONS}*"):
            assert said.encode() not in file.read_bytes(), file
        assert [entry.key for entry in journal.present("coding")] == ["kept"]
    assert not study.path(f"{DECISIONS}.before-step-2").exists()


# where the folder lies


def mounted(tmp_path, *lines):
    file = tmp_path / "mounts"
    file.write_text("".join(f"{line}\n" for line in lines))
    return file


@pytest.mark.parametrize("kind", ["nfs4", "cifs", "fuse.sshfs", "9p"])
def test_a_network_drive_is_pointed_out(study, tmp_path, kind):
    mounts = mounted(tmp_path, "/dev/sda / ext4 rw 0 0", f"host:/x {study.folder.parent} {kind} rw 0 0")
    (finding,) = place_findings(study, mounts)
    assert (finding.severity, finding.file) == ("attention", DECISIONS)
    assert kind in finding.found


def test_the_innermost_mount_decides(study, tmp_path):
    mounts = mounted(tmp_path, f"host:/x {study.folder.parent} nfs rw 0 0", f"/dev/sdb {study.folder} ext4 rw 0 0")
    assert place_findings(study, mounts) == []


def test_blanks_in_the_list_of_mounts(tmp_path):
    study = study_in(tmp_path / "my share" / "study")
    place = str(tmp_path / "my share").replace(" ", "\\040")
    assert place_findings(study, mounted(tmp_path, "/dev/sda / ext4 rw 0 0", f"//h/x {place} cifs rw 0 0"))


def test_a_folder_that_is_copied_to_other_machines_is_pointed_out(study, tmp_path):
    mounts = mounted(tmp_path, "/dev/sda / ext4 rw 0 0")
    assert place_findings(study, mounts) == []
    (study.folder.parent / ".stfolder").mkdir()
    (finding,) = place_findings(study, mounts)
    assert ".stfolder" in finding.found


def test_where_the_mounts_cannot_be_read_nothing_is_said(study, tmp_path):
    assert place_findings(study, tmp_path / "none") == []
