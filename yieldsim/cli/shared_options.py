"""A command's words and the files that they name: everything wrong with them is told at once.

Click stops at the first word that it can't take. A command looks at all of them first and, where one is wrong, at the files and
the span that the others name, so that nothing comes to light only after the first thing is mended.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from yieldsim.base.errors import DataMissing, Gathered, refusal
from yieldsim.files.text.paths import refuse_name
from yieldsim.runs.time_span import SPANS


class PathArgument(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """A path, given as text.

    refuses   "module:function" that raises InputError for a place where no result can be written, called at once
    reads     the one that reads such a file, called where something else is wrong: the run reads it otherwise
    or_address   text that looks like an address is taken as it stands
    """

    name = "path"

    def __init__(self, *, refuses: str = "", reads: str = "", or_address: bool = False) -> None:
        """Functions by name: their modules load when they are called."""
        self.refuses, self.reads, self.or_address = refuses, reads, or_address

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Path | str:
        """The path. Raises InputError for a name that no file system takes, or where no result can be."""
        text = os.fspath(value) if isinstance(value, str | Path) else str(value)
        if self.or_address and "://" in text:
            return text
        refuse_name(text, "path" if param is None else _shown(param))
        if "\0" in text:
            key = "path" if param is None else _shown(param)
            raise refusal("", key, "holds a zero byte", "the name of a file or folder")
        if self.refuses:
            _named(self.refuses)(Path(text))
        return Path(text)


PATH = PathArgument()
FOLDER = PathArgument(refuses="yieldsim.files.output.result_folder:refuse_file")
TABLE = PathArgument(refuses="yieldsim.files.output.atomic_write:refuse_table_name")
SITE = PathArgument(reads="yieldsim.files.inputs.readers:read_site")
COLLECTOR = PathArgument(reads="yieldsim.files.inputs.readers:read_collector")
LOAD = PathArgument(reads="yieldsim.files.inputs.load:read_load")
UNCERTAIN = PathArgument(reads="yieldsim.files.inputs.uncertainty:read_uncertain")
DESIGN = PathArgument(reads="yieldsim.files.inputs.design:read_design")
OPTICS = PathArgument(reads="yieldsim.files.prescription.read:read_prescription")
KERNEL = PathArgument(reads="yieldsim.files.ephemeris.kernel_selection:open_kernel")
TERRAIN = PathArgument(reads="yieldsim.files.terrain.raster:refuse_missing", or_address=True)
SPAN = ("start", "end", "years", "span")
ESTIMATE = PathArgument(reads="yieldsim.runs.open_estimate:open_estimate")
FACING = PathArgument(reads="yieldsim.files.output.facing_file:read_facing")
PAGE = PathArgument(refuses="yieldsim.files.output.atomic_write:refuse_page_name")


# ---------------------------------------------------------------- options that several commands share

Decorator = Callable[[Any], Any]


def default_option(name: str, default: Any, words: str, **more: Any) -> Decorator:
    """An option whose default stands in its help; of the default's type unless `more`, as click's option takes it, says another."""
    return click.option(name, default=default, show_default=True, help=words, **more)


def span_options(command: Any) -> Any:
    """--start, --end, --years and --span: from when to when a run goes."""
    for option in (
        click.option(
            "--span",
            type=click.Choice(SPANS),
            help="What years are counted: default calendar years on the Moon and the Earth, the body's own elsewhere.",
        ),
        click.option(
            "--years", type=float, help="How many years, instead of --end: of the kind that --span says."
        ),
        click.option(
            "--end", help="Last instant, UTC; without it one whole year of the body from the start."
        ),
        click.option("--start", help="First instant, UTC (default 2027-01-01)."),
    ):
        command = option(command)
    return command


def tracker_options(command: Any) -> Any:
    """--tracker-downtime-fraction and --tracker-stop-hours: what a mechanism costs a mount that tracks the Sun."""
    command = click.option("--tracker-stop-hours", type=float, default=0.0, help="Its longest standstill.")(
        command
    )
    return click.option(
        "--tracker-downtime-fraction",
        type=float,
        default=0.0,
        help="Tracker downtime: share of the light in which it does not move (dust, stowing, service).",
    )(command)


interval_option: Decorator = default_option("--interval-minutes", 60.0, "Length of the rows in time.")
kernel_option: Decorator = click.option(
    "--kernel",
    "kernels",
    multiple=True,
    type=KERNEL,
    help="Further ephemeris or orientation kernel; repeatable.",
)


def _address(_context: click.Context, _option: click.Parameter, scheduler: str | None) -> str | None:
    """The address of a scheduler. Raises InputError for what is none, before anything is computed."""
    if scheduler is not None:
        _named("yieldsim.runs.cluster:refuse_address")(scheduler)
    return scheduler


scheduler_option: Decorator = click.option(
    "--scheduler",
    metavar="ADDRESS",
    callback=_address,
    help="Dask scheduler of an existing cluster, such as tcp://host:8786 or tls://host:8786; the README says what its workers need.",
)
workers_option: Decorator = click.option(
    "--workers",
    type=click.IntRange(1),
    help="Processes on this machine (default: one a core; one for a small survey).",
)
few_workers_option: Decorator = default_option(
    "--workers",
    1,
    "Processes on this machine; worth it for long runs, since each takes seconds to begin.",
    type=click.IntRange(1),
)
holds_option: Decorator = default_option(
    "--holds", "auto", "What the files' values are.", type=click.Choice(["auto", "height", "radius"])
)
unknown_ground_option: Decorator = default_option(
    "--unknown-ground",
    "refuse",
    "Holes of terrain files before the Sun: refuse them, or give bounds, of which the lower, blocked, is the answer.",
    type=click.Choice(["refuse", "bounds"]),
)


class Command(click.Command):
    """A command that tells all its problems at once."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse, or raise UsageError or InputError with everything that is wrong with words, files and span."""
        if not ctx.resilient_parsing:
            self._look(ctx, list(args))
        return super().parse_args(ctx, args)

    def _look(self, ctx: click.Context, args: list[str]) -> None:
        """Take every word for itself, in a context of its own."""
        trial = click.Context(self, parent=ctx.parent, info_name=ctx.info_name)
        usage, unknown, given, rest = self._words(trial, args)
        gathered = Gathered()
        # --help comes before all else
        for parameter in sorted(self.get_params(trial), key=lambda one: not one.is_eager):
            _take(parameter, trial, given, gathered, usage)
        # what follows an unknown option may be its value
        if rest and not unknown:
            usage.append(f"Got unexpected extra argument{'s' * (len(rest) > 1)} ({' '.join(rest)})")
        if not usage and not gathered.problems:
            return
        for parameter in self.get_params(trial):
            if not (unknown and isinstance(parameter, click.Argument)):
                _read(parameter, trial.params, gathered)
        span = {key: value for key in SPAN if isinstance(value := trial.params.get(key), str | float)}
        with gathered:
            if span:
                _named("yieldsim.runs.time_span:start_and_end")(*(span.get(key) for key in SPAN))
        if usage:
            raise click.UsageError("\n".join([*usage, *map(str, gathered.problems)]), ctx)
        gathered.refuse()

    def _words(
        self, trial: click.Context, args: list[str]
    ) -> tuple[list[str], bool, dict[str, Any], list[str]]:
        """Usage errors, whether an option is unknown, what each parameter was given, words left over."""
        usage: list[str] = []
        while True:
            try:
                given, rest, _ = self.make_parser(trial).parse_args(args=list(args))
            except click.NoSuchOption as error:
                usage.append(error.format_message())
                known = [word for word in args if word.partition("=")[0] != error.option_name]
                if len(known) == len(args):
                    # one letter of several behind a dash
                    raise
                args = known
            else:
                return usage, bool(usage), dict(given), rest


def _take(
    parameter: click.Parameter,
    trial: click.Context,
    given: dict[str, Any],
    gathered: Gathered,
    usage: list[str],
) -> None:
    """Take what a parameter was given; of one that may be given several times each value for itself, then those that are right."""

    def taken(words: dict[str, Any]) -> bool:
        before = len(gathered.problems)
        try:
            with gathered:
                parameter.handle_parse_result(trial, words, [])
        except click.UsageError as error:
            usage.append(error.format_message())
            return False
        return len(gathered.problems) == before

    name = parameter.name or ""
    values = given.get(name)
    several = getattr(parameter, "multiple", False) or parameter.nargs == -1
    if several and isinstance(values, list | tuple) and len(values) > 1:
        right = [value for value in values if taken({**given, name: [value]})]
        if not right:
            return
        given = {**given, name: right}
    taken(given)


def _read(parameter: click.Parameter, given: dict[str, Any], gathered: Gathered) -> None:
    """Read the files that a parameter names; what is wrong with them is kept."""
    value = given.get(parameter.name or "")
    if not isinstance(parameter.type, PathArgument) or not parameter.type.reads:
        return
    for path in value if isinstance(value, tuple) else (value,):
        # what was not given is nothing, or a mark of the library's own
        if isinstance(path, Path):
            with gathered, contextlib.suppress(DataMissing):
                _named(parameter.type.reads)(path)


def _named(name: str) -> Any:
    module, _, function = name.partition(":")
    return getattr(import_module(module), function)


def _shown(parameter: click.Parameter) -> str:
    """As help shows it: --site, FILE."""
    if isinstance(parameter, click.Option):
        return max(parameter.opts, key=len)
    return parameter.human_readable_name.strip("[].")
