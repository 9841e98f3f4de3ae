"""The command line: demo, serve, check, rehearse, sign-off, spec, make-key, public-keys, convert, simulate. Each command is a thin face over a room."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from bridge import __version__
from bridge.errors import PadpostError
from bridge.lifecycle.sharing import Role

app = typer.Typer(
    name="padpost",
    help="Carries urine reagent-strip results from the analyzer to the right patient's record, coded, flagged and once.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

ConfigOption = Annotated[Path, typer.Option("--config", "-c", help="The site configuration, a YAML file.")]


def _version(value: bool) -> None:
    if value:
        print(f"padpost {__version__}")
        raise typer.Exit


@app.callback()
def _padpost(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")] = False,
) -> None:
    """Padpost moves and checks results; it does not diagnose. Follow your laboratory's procedures."""


@app.command()
def demo(
    once: Annotated[
        bool,
        typer.Option("--once", help="Stop after the summary; the exit status says whether it is the scenario's known truth."),
    ] = False,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Where the pages listen, on 127.0.0.1; 0 asks for a free port.")
    ] = 8765,
    folder: Annotated[
        Path | None, typer.Option(help="Where the demo keeps its files; a new temporary folder if not given.")
    ] = None,
) -> None:
    """Run one clinic morning on simulated analyzers and a listening record system."""
    from bridge.demo import morning  # noqa: PLC0415 - each command loads only its own rooms

    raise typer.Exit(morning.run(once=once, port=port, folder=folder))


@app.command()
def serve(
    config: ConfigOption,
    only: Annotated[
        list[Role] | None, typer.Option(help="Do this part of the work alone; may be given more than once. Without it: all.")
    ] = None,
) -> None:
    """Run the bridge until it is told to stop."""
    gc.disable()  # hardly anything of a start is garbage, and looking through it took a fifth of the time; `room` looks again once it stands
    try:
        from bridge.cli import serve as room  # noqa: PLC0415 - as above

        status = room.serve(config, only or ())
    finally:
        gc.enable()
    raise typer.Exit(status)


@app.command()
def check(
    config: Annotated[Path | None, typer.Option("--config", "-c", help="Also check this site configuration.")] = None,
    oracles: Annotated[bool, typer.Option(help="Show sample messages to the HL7 and FHIR libraries too (takes a while).")] = True,
    accept: Annotated[
        bool, typer.Option("--accept", help="Instead, show what the profiles' examples become now, and keep it as accepted.")
    ] = False,
    ask: Annotated[
        bool,
        typer.Option(
            "--ask",
            help="Also ask each FHIR server, and the directory that people sign in by, what it can do; no result is sent.",
        ),
    ] = False,
    store: Annotated[
        bool,
        typer.Option("--store", help="Instead, look through the site's store; also while the service runs. Changes nothing."),
    ] = False,
) -> None:
    """Check mapping files, their worked examples, and a site's message plans, before go-live."""
    from bridge.cli import accepted  # noqa: PLC0415 - as above
    from bridge.cli import check as room  # noqa: PLC0415 - as above

    if accept:
        raise typer.Exit(accepted.accept(config))
    if store:
        from bridge.cli import check_store  # noqa: PLC0415 - as above

        raise typer.Exit(check_store.check_store(config))
    raise typer.Exit(room.check(config, with_oracles=oracles, ask=ask))


@app.command()
def backup(
    config: ConfigOption,
    to: Annotated[Path, typer.Option("--to", help="The folder that the backup is written into; best on another disk.")],
) -> None:
    """Copy the store while the service runs, check the copy, and write its counts and SHA-256 beside it."""
    from bridge.cli import backup as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.backup(config, to))


@app.command()
def restore(
    config: ConfigOption,
    source: Annotated[Path | None, typer.Option("--from", help="The backup: a .sqlite file with its .txt beside it.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="A store that is there is kept aside, under a name with the date.")
    ] = False,
    in_place: Annotated[
        bool,
        typer.Option(
            "--in-place", help="Instead: the store was put back by other means (a snapshot); do what a restore must do then."
        ),
    ] = False,
) -> None:
    """Put a backup in the store's place, with the service stopped. Nothing that may have been sent since is sent by itself."""
    from bridge.cli import restore as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.restore(config, source, replace=replace, in_place=in_place))


audit_app = typer.Typer(help="Look at the audit trail: who saw, did and changed what.", no_args_is_help=True)
app.add_typer(audit_app, name="audit")


@audit_app.command("verify")
def audit_verify(
    config: ConfigOption,
    seal: Annotated[
        list[str] | None,
        typer.Option(
            "--seal", help="A seal noted elsewhere, as the log has it; it must still stand. May be given more than once."
        ),
    ] = None,
) -> None:
    """Say whether the history is as it was written, or where it first is not. Reads only; also while the service runs."""
    from bridge.cli import audit as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.verify(config, seal or ()))


@app.command()
def rehearse(
    config: ConfigOption,
    flags: Annotated[
        Path | None,
        typer.Option("--flags", help="A proposed flags.yaml, tried in place of the site's own; nothing is put in use."),
    ] = None,
    holds: Annotated[
        Path | None,
        typer.Option("--holds", help="A proposed holds.yaml, tried in place of the site's own; nothing is put in use."),
    ] = None,
    days: Annotated[int, typer.Option(min=1, max=36_500, help="How far back strips are looked at.")] = 30,
) -> None:
    """Try the laboratory's rules over the stored strips, beside those that are signed; also while the service runs. Changes nothing.

    Critical rules say which results somebody is to be told of at once (flags.yaml); the others what pads say together (holds.yaml).
    """
    from bridge.cli import rehearse as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.rehearse(config, flags=flags, holds=holds, days=days))


@audit_app.command("export")
def audit_export(
    config: ConfigOption,
    form: Annotated[str, typer.Option("--as", help="csv, or fhir: AuditEvent of FHIR R4, one a line (NDJSON).")] = "csv",
    begins: Annotated[str, typer.Option("--from", help="The first day, as 2026-11-25; from the beginning if not given.")] = "",
    until: Annotated[str, typer.Option("--until", help="The last day, included; to the end if not given.")] = "",
    out: Annotated[Path | None, typer.Option("--out", "-o", help="The file to write; standard output if not given.")] = None,
) -> None:
    """Write the audit trail, oldest first. Reads only; also while the service runs."""
    from bridge.cli import audit_export as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.export(config, form, (begins, until), out))


@app.command()
def test_signals(config: ConfigOption) -> None:
    """Say a test by every way that signals are told by, and print what came of each; also while the service runs."""
    from bridge.cli import signals as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.try_ways(config))


@app.command()
def purge(
    config: ConfigOption,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would be purged; also while the service runs.")
    ] = False,
    shrink: Annotated[bool, typer.Option("--shrink", help="Then give the freed room back to the disk; takes a while.")] = False,
    clock_is_right: Annotated[
        bool,
        typer.Option("--clock-is-right", help="You have looked at the clock: it did not jump, Padpost stood still for long."),
    ] = False,
) -> None:
    """Purge what is older than the site's `keep` says, with the service stopped; a running service does it by itself."""
    from bridge.cli import purge as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.purge(config, dry_run=dry_run, shrink=shrink, clock_is_right=clock_is_right))


@app.command()
def sign_off(
    config: ConfigOption,
    by: Annotated[str, typer.Option("--by", help="Who checked the tables and answers for them: a person's name.")],
    words: Annotated[str, typer.Option("--words", help="What was checked, and how.")] = "",
) -> None:
    """Sign the tables in use, before they serve a live destination: one whose processing_id is P, production, so that its messages are of real patients.

    The checks of `padpost check` run first; what fails is not signed. What changed since the last signed tables is shown.
    """
    from bridge.cli import sign_off as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.sign_off(config, by, words))


@app.command()
def spec(
    config: ConfigOption,
    destination: Annotated[str, typer.Option("--destination", "-d", help="The destination that it is for.")],
    form: Annotated[str, typer.Option("--as", help="html, markdown or json.")] = "html",
    out: Annotated[Path | None, typer.Option("--out", "-o", help="The file to write; standard output if not given.")] = None,
) -> None:
    """Write the interface specification that a record system's vendor asks for. Nothing is sent.

    What is not set is said in its place, and told on standard error.
    """
    from bridge.cli import spec as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.spec(config, destination, form, out))


@app.command()
def make_key(
    folder: Annotated[Path, typer.Argument(help="Where keys are kept: oauth.keys or signing.keys of a destination.")],
    alg: Annotated[str, typer.Option("--alg", help="ES384 or RS384 for tokens, ES256 or HS256 for web hooks.")] = "ES384",
    begins: Annotated[str, typer.Option("--from", help="The day from which it signs, UTC; now if not given.")] = "",
    days: Annotated[int, typer.Option(min=1, max=3650, help="For how many days it signs.")] = 365,
) -> None:
    """Make a key that signs. The newest valid key of a folder is used, so one that begins in a week takes over by itself."""
    from bridge.cli import keys as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.make(folder, alg, begins=begins, days=days))


@app.command()
def public_keys(folder: Annotated[Path, typer.Argument(help="Where keys are kept.")]) -> None:
    """Print the public keys of a folder as a JWK Set (RFC 7517), for those who check what Padpost signs."""
    from bridge.cli import keys as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.show(folder))


@app.command()
def new_code(
    config: ConfigOption,
    name: Annotated[str, typer.Option("--name", help="Whose account it is, as the name stands beside what they did.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; it stands in the audit trail.")],
) -> None:
    """Print a one-time code for an account whose password is forgotten; with the service stopped, unless the store is a database server."""
    from bridge.cli import new_code as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.new_code(config, name, reason))


@app.command()
def seal_envelope(
    config: ConfigOption,
    reason: Annotated[str, typer.Option("--reason", help="Why; it stands in the audit trail.")],
) -> None:
    """Print what goes into a new sealed emergency envelope; with the service stopped, unless the store is a database server."""
    from bridge.cli import seal_envelope as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.seal_envelope(config, reason))


@app.command()
def convert(
    file: Annotated[str, typer.Argument(help="A captured transmission; - reads standard input.")],
    profile: Annotated[str, typer.Option("--profile", "-p", help="The analyzer profile that reads it.")],
    to: Annotated[str, typer.Option("--to", help="hl7, fhir, json, or a message profile such as oru_r30 or fhir_us.")] = "hl7",
    config: Annotated[
        Path | None, typer.Option("--config", "-c", help="Use this site's policies and first destination of the kind.")
    ] = None,
    destination: Annotated[
        str, typer.Option("--destination", "-d", help="With --config: this destination, whatever it takes.")
    ] = "",
) -> None:
    """Show what a captured transmission becomes. Nothing is stored or sent.

    Messages go to standard output, an HL7 segment a line; what stopped a strip, and the remedy, to standard error.
    """
    from bridge.cli import convert as room  # noqa: PLC0415 - as above

    raise typer.Exit(room.convert(file, profile, to, config, destination=destination))


@app.command()
def simulate(
    target: Annotated[
        str, typer.Argument(help="pty, serial:DEVICE, tcp:HOST:PORT, mllp:HOST:PORT, listen:PORT, post:URL or folder:PATH.")
    ],
    profile: Annotated[str, typer.Option("--profile", "-p", help="Which analyzer to play.")],
    strips: Annotated[int, typer.Option(min=1, max=5000, help="How many strips to play.")] = 10,
    every: Annotated[float, typer.Option(min=0.0, max=60.0, help="Seconds between strips.")] = 1.0,
    seed: Annotated[int, typer.Option(help="The same seed plays the same strips.")] = 1,
) -> None:
    """Play invented strips as an analyzer would send them."""
    from bridge.demo import analyzers  # noqa: PLC0415 - as above

    raise typer.Exit(analyzers.simulate(target, profile, strips=strips, every_s=every, seed=seed))


def run(arguments: list[str]) -> int:
    """Run one command; give the exit status: 0 well, 1 found something wrong, 2 could not be done as asked."""
    try:
        status = app(
            args=arguments, prog_name="padpost", standalone_mode=False
        )  # typer gives back the status of typer.Exit, it does not raise it
    except typer.Abort:
        return 130
    except PadpostError as error:
        print(f"padpost: {error}", file=sys.stderr)
        return 2
    except Exception as error:
        if not hasattr(error, "exit_code"):
            raise
        _show(error)
        return int(error.exit_code)
    return int(status or 0)


def _show(error: Any) -> None:
    """Let a usage error of the library show itself, without the word that the library's own library puts before ours."""
    error.message = error.message.replace("Value error, ", "")
    error.show()
