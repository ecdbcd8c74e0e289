"""The `yieldsim` command: its subcommands, loaded when called, and what a failure looks like from outside.

Exit status: 0 done, 1 could not be computed, 2 wrong input or usage, 130 interrupted, 141 output not read.
To add a command, add a row to COMMANDS.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from types import FrameType
from typing import NoReturn

import click

from yieldsim.base.errors import YieldsimError, likely

COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("yieldsim.cli.inputs_commands:new", "Write a starter set of input files, commented."),
    "check": ("yieldsim.cli.inputs_commands:check", "Validate input files and say what they hold."),
    "estimate": (
        "yieldsim.cli.estimate_command:estimate",
        "Hourly and annual energy of a collector at a site.",
    ),
    "orient": (
        "yieldsim.cli.orient_command:orient",
        "Best facing, flatness, several units, fixed against following.",
    ),
    "rank": ("yieldsim.cli.rank_command:rank", "The same collector at several sites."),
    "budget": ("yieldsim.cli.budget_command:budget", "Supply against loads and storage."),
    "horizon": ("yieldsim.cli.horizon_command:horizon", "Skyline of a site from terrain files."),
    "survey": (
        "yieldsim.cli.survey_command:survey",
        "Maps of light and energy over terrain, with the best places.",
    ),
    "trace": (
        "yieldsim.cli.trace_command:trace",
        "Acceptance table of a lens prescription, with every loss.",
    ),
    "tune": ("yieldsim.cli.tune_command:tune", "The prescription that delivers most at a site."),
    "report": ("yieldsim.cli.estimate_command:report", "(Re)write the report of an estimate."),
}
"""Name: where the command is, and its line in the list (held equal to its short help by a test)."""

INTERRUPTED, UNREAD = 130, 141


class LazyGroup(click.Group):
    """A group that imports a command only when it runs or is asked for help."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, imported now."""
        if cmd_name not in COMMANDS:
            return None
        module, _, function = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(import_module(module), function)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command or name the likely one."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            hint = likely(args[0], COMMANDS)
            ctx.fail(f'no command "{args[0]}"' + (f"; {hint}" if hint else ""))
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run; a reader that has left (as `head` does) ends the run quietly."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            return _unread()

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


def _version(ctx: click.Context, _: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from yieldsim.files.output.provenance import package_version

        click.echo(f"yieldsim {package_version()}")
        ctx.exit()


@click.group(
    cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version."
)
@click.option(
    "--debug", is_flag=True, expose_value=False, help="Show the traceback of an error (or YIELDSIM_DEBUG=1)."
)
def commands() -> None:
    """Light that a fixed, fibre-coupled solar concentrator delivers on the Moon, Mars or another world.

    Begin with `yieldsim new my-site`, then `yieldsim estimate`. Direct sunlight only.
    """


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status."""
    words = list(sys.argv[1:] if args is None else args)
    debug = "--debug" in words[:1] or os.environ.get("YIELDSIM_DEBUG", "") not in ("", "0")
    signal.signal(signal.SIGTERM, _stop)
    if not (debug or sys.warnoptions):
        import warnings

        warnings.simplefilter("ignore")
    try:
        status = _run(words)
        sys.stdout.flush()
    except BrokenPipeError:
        status = _unread()
    except Exception as error:
        if debug:
            raise
        status = _told(error)
    sys.exit(status)


def _run(words: list[str]) -> int:
    """Run a command; usage faults and interruptions become words and a status."""
    try:
        result = commands.main(words, prog_name="yieldsim", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("yieldsim: interrupted; nothing was left half-written", err=True)
        return INTERRUPTED
    return result if isinstance(result, int) else 0


def _told(error: Exception) -> int:
    """Word an error on stderr; its exit status."""
    if isinstance(error, YieldsimError):
        click.echo(str(error), err=True)
        return error.exit_status
    if isinstance(error, MemoryError):
        click.echo("yieldsim: not enough memory; shorten the span or lengthen the interval", err=True)
        return 1
    words = " ".join(f"{type(error).__name__}: {error}".split())
    click.echo(f"yieldsim: an error of the program, not of your input: {words}", err=True)
    click.echo(
        "put --debug right after yieldsim to see where, and report that with your input files", err=True
    )
    return 1


def _unread() -> int:
    """Nobody reads stdout: send the rest nowhere, so that leaving does not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return UNREAD


def _stop(_signal: int, _frame: FrameType | None) -> NoReturn:
    """Termination unwinds the stack like Ctrl-C, so that temporary files are taken away."""
    raise KeyboardInterrupt
