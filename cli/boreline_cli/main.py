"""The `boreline` command: one module per subcommand, one place that turns errors into exit codes."""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from typing import Annotated, NoReturn

import typer

from boreline._version import __version__
from boreline.errors import BorelineError
from boreline_cli import commands

EXIT_DONE = 0
EXIT_PARTLY = 1
EXIT_REFUSED = 2
_INTERRUPTED = 128 + signal.SIGINT

# The base of all usage errors, whether typer uses the click package or carries its own copy.
_MISUSE: type[Exception] = typer.BadParameter.__mro__[2]


def _version(wanted: bool) -> None:
    if wanted:
        sys.stdout.write(f"boreline {__version__}\n")
        raise typer.Exit


def build_app() -> typer.Typer:
    """The command tree; heavy imports stay inside the command bodies."""
    app = typer.Typer(
        name="boreline",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback()
    def boreline(
        _: Annotated[
            bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
        ] = False,
    ) -> None:
        """From an intravascular ultrasound pullback to areas along the vessel, sizing and expansion.

        Research software, not a medical device.
        """

    for module in commands.MODULES:
        module.register(app)
    return app


def main(args: Sequence[str] | None = None) -> None:
    """Run one command and exit.

    A refusal is one line on stderr and exit status 2; so is a signal, with 128 + its number as status.
    """
    if args is None:  # the process is ours, no caller's
        signal.signal(signal.SIGTERM, _terminated)
    try:
        status = build_app()(args=None if args is None else list(args), prog_name="boreline", standalone_mode=False)
    except BorelineError as refusal:
        _refuse(str(refusal))
    except _MISUSE as misuse:
        _refuse(_misused(misuse))
    except (typer.Abort, KeyboardInterrupt):
        status = _INTERRUPTED
    except OSError as fault:  # a full disk, a folder that cannot be written
        _refuse(f"{fault.filename or 'a file'}: {fault.strerror or fault}")
    if status == _INTERRUPTED:  # typer turns the exception into this status
        _refuse("interrupted", _INTERRUPTED)
    raise SystemExit(status if isinstance(status, int) else EXIT_DONE)


def _misused(misuse: Exception) -> str:
    """What is wrong with the command as typed, and the help page of that very command."""
    text = getattr(misuse, "format_message", lambda: str(misuse))().rstrip(". ")
    context = getattr(misuse, "ctx", None)
    command = "boreline" if context is None else context.command_path
    return f"{text}{' See' if text.endswith('?') else '; see'} '{command} --help'"


def _terminated(*_: object) -> NoReturn:
    """Unwind, so that nothing half-written stays; a second signal must not cut that short."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    _refuse("terminated", 128 + signal.SIGTERM)


def _refuse(line: str, status: int = EXIT_REFUSED) -> NoReturn:
    sys.stderr.write(f"boreline: {' '.join(line.split())}\n")
    raise SystemExit(status) from None


if __name__ == "__main__":
    main()
