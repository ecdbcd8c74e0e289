"""The `yieldsim` command: its subcommands, loaded when called, and what a failure looks like from outside.

Exit status: 0 done, 1 could not be computed, 2 wrong input or usage, 130 interrupted, 143 terminated, 141 output not read.
To add a command, add a row to COMMANDS.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Iterator, Sequence
from importlib import import_module
from typing import NoReturn

import click

from yieldsim.base.errors import YieldsimError, likely
from yieldsim.cli.terminal import stopping
from yieldsim.cli.terminal.streams import Unheard, safe_streams

COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("yieldsim.cli.commands.inputs:new", "Write a starter set of input files, commented."),
    "check": ("yieldsim.cli.commands.inputs:check", "Validate input files and say what they hold."),
    "optical-depth": (
        "yieldsim.cli.commands.inputs:optical_depth",
        "Optical depth by date from a published text table.",
    ),
    "estimate": (
        "yieldsim.cli.commands.estimate:estimate",
        "Hourly and annual energy of a collector at a site.",
    ),
    "orient": (
        "yieldsim.cli.commands.orient:orient",
        "Best orientation, flatness, several units, fixed against tracking.",
    ),
    "rank": ("yieldsim.cli.commands.rank:rank", "The same collector at several sites."),
    "budget": ("yieldsim.cli.commands.budget:budget", "Supply against loads and storage."),
    "horizon": ("yieldsim.cli.commands.horizon:horizon", "Skyline of a site from terrain files."),
    "survey": (
        "yieldsim.cli.commands.survey:survey",
        "Maps of light and energy over terrain, with the best places.",
    ),
    "trace": (
        "yieldsim.cli.commands.trace:trace",
        "Acceptance table of a lens prescription, with every loss.",
    ),
    "tune": ("yieldsim.cli.commands.tune:tune", "The prescription that delivers most at a site."),
    "design": ("yieldsim.cli.commands.design:design", "Site, mast, optics, units and store at once, proven."),
    "growth": ("yieldsim.cli.commands.growth:growth", "Which units and stores to land with which flight."),
    "page": ("yieldsim.cli.commands.page:page", "Turn the mounts of an estimate by hand, in a browser."),
    "report": ("yieldsim.cli.commands.estimate:report", "(Re)write the report of an estimate."),
}
"""Name: where the command is, and its line in the list (held equal to its short help by a test)."""

UNREAD = 141
NAMING = (errno.ENAMETOOLONG, errno.ELOOP)
REFUSED = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EMFILE, errno.ENFILE)


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
    "-V",
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_version,
    help="Show the version.",
)
@click.option("-q", "--quiet", is_flag=True, help="No notes and no progress: the answer and errors only.")
@click.option("-v", "--verbose", is_flag=True, help="Say the versions at work and the time taken, too.")
@click.option(
    "--debug", is_flag=True, expose_value=False, help="Show the traceback of an error (or YIELDSIM_DEBUG=1)."
)
@click.pass_context
def commands(ctx: click.Context, quiet: bool, verbose: bool) -> None:
    """Light that a fixed, fibre-coupled solar concentrator delivers on the Moon, Mars or another world.

    Begin with `yieldsim new my-site`, then `yieldsim estimate`. Direct sunlight only.
    """
    if quiet and verbose:
        raise click.UsageError("-q and -v exclude each other")
    if quiet:
        ctx.with_resource(_notes_unheard())
    if verbose:
        ctx.with_resource(_circumstances())


@contextlib.contextmanager
def _notes_unheard() -> Iterator[None]:
    """Nothing on stderr from within a command; errors are told after it."""
    with contextlib.redirect_stderr(Unheard()):
        yield


@contextlib.contextmanager
def _circumstances() -> Iterator[None]:
    """Versions before a command, time taken after it, on stderr."""
    from importlib.metadata import PackageNotFoundError, version

    from yieldsim.files.output.provenance import package_version

    words = [f"yieldsim {package_version()}", f"Python {sys.version.split()[0]}"]
    for name in ("numpy", "scipy", "numba", "xarray", "skyfield"):
        with contextlib.suppress(PackageNotFoundError):
            words.append(f"{name} {version(name)}")
    click.echo(", ".join(words), err=True)
    began = time.monotonic(), time.process_time()
    try:
        yield
    finally:
        took = time.monotonic() - began[0], time.process_time() - began[1]
        click.echo(f"took {took[0]:.1f} s, {took[1]:.1f} s of them computing", err=True)


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit status."""
    words = list(sys.argv[1:] if args is None else args)
    debug = "--debug" in words[:1] or os.environ.get("YIELDSIM_DEBUG", "") not in ("", "0")
    safe_streams()
    stopping.watch()
    if not (debug or sys.warnoptions):
        import warnings

        warnings.simplefilter("ignore")
    try:
        status = _run(words)
        sys.stdout.flush()
    except BrokenPipeError:
        status = _unread()
    except KeyboardInterrupt:
        _interrupted()
    except Exception as error:
        if stopping.asked():
            # a library that swallowed the interruption may fail for it later
            _interrupted()
        if debug:
            raise
        status = _told(error)
    sys.exit(status)


def _run(words: list[str]) -> int:
    """Run a command; usage faults and interruptions become words and a status."""
    try:
        # all that names a file starts from there
        os.getcwd()
    except FileNotFoundError:
        click.echo("yieldsim: the working directory is gone; change to one that exists", err=True)
        return 2
    try:
        result = commands.main(words, prog_name="yieldsim", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        _interrupted()
    return result if isinstance(result, int) else 0


def _interrupted() -> NoReturn:
    with contextlib.suppress(OSError):
        click.echo(stopping.TOLD, err=True)
    stopping.leave()


def _told(error: Exception) -> int:
    """Word an error on stderr; its exit status."""
    if isinstance(error, YieldsimError):
        click.echo(str(error), err=True)
        return error.exit_status
    if isinstance(error, MemoryError):
        click.echo("yieldsim: not enough memory; shorten the span or lengthen the interval", err=True)
        return 1
    if isinstance(error, OSError) and error.errno in NAMING:
        click.echo(f"{str(error.filename)[:80]}: {str(error.strerror).lower()}", err=True)
        return 2
    if isinstance(error, OSError) and error.errno in REFUSED:
        click.echo(f"yieldsim: the system refuses: {str(error.strerror).lower()}", err=True)
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
