"""`dictate store ...`: make, back up, restore, check, re-key the store; delete sound that is due."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the `store` group."""
    group = typer.Typer(no_args_is_help=True, help="The encrypted store of drafts: make, back up, restore, check.")
    app.add_typer(group, name="store")

    @group.command()
    def init(
        key: str | None = typer.Option(
            None,
            "--key",
            help="Where the key comes from: file (default), passphrase, keyring, or plain: NOT encrypted.",
        ),
    ) -> None:
        """Make the store now instead of at the first examination."""
        from dictate.errors import StoreError
        from dictate.settings import StoreSettings, load_settings
        from dictate.storage import open_store

        settings = load_settings()
        if key is not None:
            if key not in ("file", "passphrase", "keyring", "plain"):
                raise StoreError(f"There is no kind of key {key!r}; choose file, passphrase, keyring or plain.")
            wanted = StoreSettings(**{**settings.store.model_dump(), "key": key})
            settings = settings.model_copy(update={"store": wanted})
        with open_store(settings, ask=_ask_new) as store:
            kind = "not encrypted" if store.cipher.plain else "encrypted"
            print(f"The store is at {store.database.where} ({kind}).")

    @group.command()
    def backup(target: Path = typer.Argument(..., help="A file that does not exist yet.")) -> None:
        """Copy everything into one file, as unreadable without the key as the store itself."""
        from dictate.settings import load_settings
        from dictate.storage import back_up, open_store

        with open_store(load_settings(), create=False) as store:
            report = back_up(store, target)
        print(f"{report.rows['examination']} examinations are in {report.path}.")
        print(f"SHA-256 {report.sha256}")

    @group.command()
    def restore(source: Path = typer.Argument(..., help="A file that `dictate store backup` wrote.")) -> None:
        """Fill an empty store from a backup; never overwrites."""
        from dictate.settings import load_settings
        from dictate.storage import check_store
        from dictate.storage import restore as bring_back

        store, report = bring_back(source, load_settings())
        with store:
            faults = check_store(store).faults
        print(f"{report.rows['examination']} examinations were restored.")
        _tell(faults)

    @group.command()
    def check(as_json: bool = typer.Option(False, "--json", help="Print the report as JSON.")) -> None:
        """Open and compare everything: texts, sound, counts, signatures, audit log."""
        from dictate.settings import load_settings
        from dictate.storage import check_store, open_store

        with open_store(load_settings(), create=False) as store:
            report = check_store(store)
        if as_json:
            print(json.dumps(asdict(report)))
        else:
            print(
                f"{report.examinations} examinations, {report.revisions} revisions, "
                f"{report.sound_pieces} pieces of "
                f"sound, {report.audit_entries} audit entries: {'all whole' if report.sound else 'FAULTS'}."
            )
        _tell(() if as_json else report.faults, bad=not report.sound)

    @group.command("delete-due-sound")
    def delete_due_sound() -> None:
        """Delete the sound of examinations signed longer ago than [store] audio_days."""
        from dictate.settings import load_settings
        from dictate.storage import open_store

        with open_store(load_settings(), create=False) as store:
            gone = store.delete_due_sound()
        print(f"The sound of {len(gone)} examination(s) was deleted{': ' + ', '.join(map(str, gone)) if gone else ''}.")

    @group.command("change-key")
    def change_key(
        key: str = typer.Option("passphrase", "--key", help="Where the key comes from now: file, passphrase, keyring."),
    ) -> None:
        """Change the passphrase, or move the key to a file or the OS keyring."""
        from dictate.errors import StoreError
        from dictate.settings import StoreSettings, load_settings
        from dictate.storage import open_store
        from dictate.storage.keys import ask_passphrase

        if key not in ("file", "passphrase", "keyring"):
            raise StoreError(f"There is no kind of key {key!r}; choose file, passphrase or keyring.")
        settings = load_settings()
        wanted = StoreSettings(**{**settings.store.model_dump(), "key": key})
        with open_store(settings, create=False) as store:
            store.change_key(settings.model_copy(update={"store": wanted}), ask_passphrase, _ask_new)
        print("The key of the store was changed. Older backups still open with the old one.")


def _ask_new(settings: object) -> str:
    """A new passphrase, typed twice (or read from the file that the settings name)."""
    import getpass
    import sys

    from dictate.errors import StoreError
    from dictate.settings import StoreSettings
    from dictate.storage.keys import ask_passphrase

    assert isinstance(settings, StoreSettings)
    if settings.passphrase_file is not None or not sys.stdin.isatty():
        return ask_passphrase(settings)
    first = getpass.getpass("New passphrase of the store: ")
    if first != getpass.getpass("The same again: "):
        raise StoreError("The two passphrases differ; nothing was changed.")
    return first


def _tell(faults: tuple[str, ...], *, bad: bool = False) -> None:
    for fault in faults:
        print(f"  {fault}")
    if faults or bad:
        raise typer.Exit(1)
