"""Keys, wrong keys, plain mode, newer tables, migrations that fail."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import keyring
import pytest
from keyring.backend import KeyringBackend
from sqlalchemy import inspect, text

from dictate.errors import StoreError
from dictate.storage import Store, StoreSettings, check_store, keys, migrations, open_store, tables
from dictate.storage.database import Database
from dictate.storage.options import filled_in
from dictate.storage.writer import Writer
from tests.dictate.storage.examples import example_note, example_sound, example_words

PHRASE = "correct horse battery staple"


def sqlite_settings(folder: Path, **more: object) -> StoreSettings:
    return StoreSettings(url=f"sqlite:///{folder / 'd.sqlite3'}", key_file=folder / "store.key", **more)


def quiet(_text: str) -> None:
    return None


def test_nothing_readable_lies_on_the_disk(tmp_path: Path) -> None:
    with open_store(sqlite_settings(tmp_path), say=quiet) as store:
        store.keep_examination(example_note(), example_words(), audio=example_sound(3), patient_ref="Zebulon-17")
        raw = b"".join(path.read_bytes() for path in tmp_path.glob("d.sqlite3*"))
    for secret in (b"Zebulon", b"knee", b"kettle", b"fLaC", b"foot_drop"):
        assert secret not in raw


def test_the_key_file_is_for_its_owner_only(tmp_path: Path) -> None:
    said: list[str] = []
    open_store(sqlite_settings(tmp_path), say=said.append).close()
    assert stat.S_IMODE((tmp_path / "store.key").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "d.sqlite3").stat().st_mode) == 0o600
    assert "Keep a copy of that file" in said[0]


def test_a_wrong_passphrase_gets_one_sentence(tmp_path: Path) -> None:
    settings = sqlite_settings(tmp_path, key="passphrase")
    open_store(settings, ask=lambda _settings: PHRASE, say=quiet).close()
    open_store(settings, ask=lambda _settings: PHRASE, say=quiet).close()
    with pytest.raises(StoreError) as caught:
        open_store(settings, ask=lambda _settings: PHRASE + "!", say=quiet)
    assert str(caught.value) == f"Wrong key: the passphrase does not open the store {tmp_path / 'd.sqlite3'}."


def test_a_wrong_key_file_gets_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    open_store(sqlite_settings(tmp_path), say=quiet).close()
    open_store(sqlite_settings(tmp_path / "other"), say=quiet).close()
    wrong = StoreSettings(url=f"sqlite:///{tmp_path / 'd.sqlite3'}", key_file=tmp_path / "other" / "store.key")
    with pytest.raises(StoreError, match=r"^Wrong key: the key file .* does not open the store .*$"):
        open_store(wrong, say=quiet)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [(None, "cannot be read"), ("not base64!", "cannot be read"), ("c2hvcnQ=", "is damaged")],
)
def test_a_missing_or_damaged_key_file_gets_a_sentence(tmp_path: Path, content: str | None, sentence: str) -> None:
    settings = sqlite_settings(tmp_path)
    open_store(settings, say=quiet).close()
    (tmp_path / "store.key").unlink()
    if content is not None:
        (tmp_path / "store.key").write_text(content)
    with pytest.raises(StoreError, match=sentence):
        open_store(settings, say=quiet)


def test_a_short_passphrase_is_refused_and_leaves_no_store(tmp_path: Path) -> None:
    settings = sqlite_settings(tmp_path, key="passphrase")
    with pytest.raises(StoreError, match="at least 12 characters"):
        open_store(settings, ask=lambda _settings: "short", say=quiet)
    open_store(settings, ask=lambda _settings: PHRASE, say=quiet).close()


class MemoryKeyring(KeyringBackend):
    """A keyring of the test, through the real keyring library."""

    priority = 1  # type: ignore[assignment]

    def __init__(self) -> None:
        super().__init__()
        self.kept: dict[tuple[str, str], str] = {}

    def get_password(self, service: str, username: str) -> str | None:
        return self.kept.get((service, username))

    def set_password(self, service: str, username: str, password: str) -> None:
        self.kept[service, username] = password


@pytest.fixture
def my_keyring() -> Iterator[MemoryKeyring]:
    before, mine = keyring.get_keyring(), MemoryKeyring()
    keyring.set_keyring(mine)
    yield mine
    keyring.set_keyring(before)


def test_the_keyring_holds_the_key(tmp_path: Path, my_keyring: MemoryKeyring) -> None:
    settings = sqlite_settings(tmp_path, key="keyring")
    with open_store(settings, say=quiet) as store:
        number = store.keep_examination(example_note())
    with open_store(settings, say=quiet) as store:
        assert store.machine_note(number) == example_note()
    my_keyring.kept.clear()
    with pytest.raises(StoreError, match="keyring holds no key"):
        open_store(settings, say=quiet)


def test_a_change_of_the_keyring_key_that_fails_or_comes_after_a_copy_locks_nothing_out(
    tmp_path: Path, my_keyring: MemoryKeyring, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = sqlite_settings(tmp_path, key="keyring")
    with open_store(settings, say=quiet) as store:
        number = store.keep_examination(example_note())
        with monkeypatch.context() as patched:
            patched.setattr(Writer, "put_meta", lambda *_: (_ for _ in ()).throw(StoreError("The disk is full.")))
            with pytest.raises(StoreError, match="disk is full"):
                store.change_key(settings, keys.ask_passphrase, keys.ask_passphrase)
    with open_store(settings, say=quiet) as store, store.reading() as reader:
        copied = {row.name: row.value for row in reader.connection.execute(tables.meta.select())}
        store.change_key(settings, keys.ask_passphrase, keys.ask_passphrase)
    with open_store(settings, say=quiet) as store:
        assert store.machine_note(number) == example_note()
    assert keys.open_header(copied, settings, keys.ask_passphrase, "a copy")


def test_a_keyring_entry_with_the_name_of_older_stores_still_opens(tmp_path: Path, my_keyring: MemoryKeyring) -> None:
    settings = sqlite_settings(tmp_path, key="keyring")
    with open_store(settings, say=quiet) as store, store.database.writing() as connection:
        header = {row.name: row.value for row in connection.execute(tables.meta.select())}
        connection.execute(tables.meta.delete().where(tables.meta.c.name == "key_entry"))
    (place,) = my_keyring.kept
    my_keyring.kept[place[0], header["store_id"]] = my_keyring.kept.pop(place)
    open_store(settings, say=quiet).close()


def test_plain_mode_says_so_on_every_start(tmp_path: Path) -> None:
    settings = sqlite_settings(tmp_path, key="plain")
    for _start in range(3):
        said: list[str] = []
        with open_store(settings, say=said.append) as store:
            store.keep_examination(example_note())
        assert len(said) == 1
        assert "NOT encrypted" in said[0]


def test_the_passphrase_can_change(tmp_path: Path) -> None:
    settings = sqlite_settings(tmp_path, key="passphrase")
    with open_store(settings, ask=lambda _settings: PHRASE, say=quiet) as store:
        number = store.keep_examination(example_note())
        store.change_key(settings, lambda _settings: PHRASE, lambda _settings: "another long phrase")
    with open_store(settings, ask=lambda _settings: "another long phrase", say=quiet) as store:
        assert store.machine_note(number) == example_note()
        assert check_store(store).faults == ()
    with pytest.raises(StoreError, match="Wrong key"):
        open_store(settings, ask=lambda _settings: PHRASE, say=quiet)


def test_a_piece_moved_to_another_row_does_not_open(store: Store) -> None:
    first, second = (store.keep_examination(example_note(), patient_ref=p) for p in ("P-1", "P-2"))
    with store.database.writing() as connection:
        swap = "UPDATE examination SET patient = (SELECT patient FROM examination WHERE id = :a) WHERE id = :b"
        connection.execute(text(swap), {"a": first, "b": second})
    with pytest.raises(StoreError, match="was changed or damaged outside the program"):
        store.head(second)
    assert [fault for fault in check_store(store).faults if f"Draft {second}" in fault]


def test_tables_newer_than_the_program_are_refused(store: Store) -> None:
    with store.database.writing() as connection:
        connection.execute(text("INSERT INTO migration VALUES (99, 'later', '2030-01-01')"))
    with pytest.raises(StoreError, match=r"written by a newer program .*version 99, this program knows"):
        open_store(store.settings, say=quiet)


def test_a_migration_that_fails_leaves_nothing_behind(fresh_url: Callable[[str], str]) -> None:
    def broken(connection: object) -> None:
        migrations._run(connection, "CREATE TABLE half (x INTEGER)", "CREATE TABLE half (x INTEGER)")

    steps = (*migrations.MIGRATIONS, (3, "broken", broken))
    database = Database(str(filled_in(StoreSettings(url=fresh_url("broken"))).url))
    with pytest.raises(StoreError), database.writing() as connection:
        migrations.migrate(connection, "here", steps)
    with database.reading() as connection:
        assert inspect(connection).get_table_names() == []
    with database.writing() as connection:
        assert migrations.migrate(connection, "here") == [number for number, _name, _change in migrations.MIGRATIONS]
    database.close()


def test_migrated_tables_are_those_the_program_uses(store: Store) -> None:
    with store.database.reading() as connection:
        found = inspect(connection)
        for table in tables.metadata.sorted_tables:
            real = {column["name"]: column for column in found.get_columns(table.name)}
            assert set(real) == set(table.columns.keys()), table.name
            for column in table.columns:
                may_be_empty = real[column.name]["nullable"] and not column.primary_key  # SQLite says so of keys
                assert may_be_empty == column.nullable, f"{table.name}.{column.name}"
            assert {index["name"] for index in found.get_indexes(table.name)} >= {i.name for i in table.indexes}


@pytest.mark.parametrize(
    ("url", "sentence"),
    [
        ("nonsense", "cannot be read; give for example"),
        ("sqlite:////proc/nowhere/x.sqlite3", "cannot be made"),
        ("postgresql://nobody@127.0.0.1:9/none", "cannot be used"),
        ("oracle://x/y", "driver that is not installed"),
    ],
)
def test_a_database_that_cannot_be_opened_gets_a_sentence(tmp_path: Path, url: str, sentence: str) -> None:
    with pytest.raises(StoreError, match=sentence):
        open_store(StoreSettings(url=url, key_file=tmp_path / "k"), say=quiet)


def test_a_file_that_is_no_database_gets_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "d.sqlite3").write_bytes(b"this is a letter, not a database" * 100)
    with pytest.raises(StoreError, match="cannot be used"):
        open_store(sqlite_settings(tmp_path), say=quiet)
