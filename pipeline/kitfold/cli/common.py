"""What all commands share: their common options, and how they speak.

Results go to stdout, everything else to stderr. With --json stdout carries one JSON value and nothing else.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from kitfold.errors import KitfoldError

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["Voice", "common_options", "errors_json", "jobs_option"]

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True)
class Voice:
    """How a command speaks.

    Parameters
    ----------
    as_json : bool, one JSON value on stdout
    quiet : bool, errors only
    debug : bool, errors with their trace
    """

    as_json: bool = False
    quiet: bool = False
    debug: bool = False

    def result(self, value: Any) -> None:
        """Print a result as JSON, where that was asked for."""
        if self.as_json:
            utf_8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
            click.echo(json.dumps(value, indent=1, ensure_ascii=not utf_8, allow_nan=False))

    def show(self, *things: Any) -> None:
        """Print tables and lines for a person; nothing with --json or --quiet."""
        if self.as_json or self.quiet:
            return
        console = _console(stderr=False)
        with nullcontext() if console.is_terminal else _without_trailing_blanks(console):
            for thing in things:
                console.print(thing, crop=False)  # what must not be wrapped, since it is to be copied, goes on

    def text(self, text: str) -> None:
        """Print text as it is, to be copied: never wrapped to the terminal; nothing with --json or --quiet."""
        if not (self.as_json or self.quiet):
            click.echo(text)

    def say(self, text: str) -> None:
        """Say something beside the result, on stderr; nothing with --quiet."""
        if not self.quiet:
            click.echo(text, err=True)

    def complain(self, text: str) -> None:
        """Print an error on stderr, always."""
        click.echo(f"kitfold: {text}", err=True)

    @contextmanager
    def progress(self, title: str) -> Iterator[Callable[[str, int], None]]:
        """Show a bar on a terminal; give a function to call with what was done and how many there are in all."""
        if self.quiet or self.as_json or not sys.stderr.isatty():
            yield lambda _done, _total: None
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.fields[done]}"),
            TimeElapsedColumn(),
        )
        with Progress(*columns, console=_console(stderr=True), transient=True) as bar:
            task = bar.add_task(title, total=None, done="")
            yield lambda done, total: bar.update(task, advance=1, total=total, done=done)


@contextmanager
def _without_trailing_blanks(console: Console) -> Iterator[None]:
    """Print into a file or a pipe what a table would fill up with blanks to the width of a terminal."""
    with console.capture() as printed:
        yield
    for line in printed.get().splitlines():
        click.echo(line.rstrip())


def _console(stderr: bool) -> Console:
    from rich.console import Console

    width = None if sys.stdout.isatty() else 120
    return Console(stderr=stderr, highlight=False, markup=False, emoji=False, width=width)  # names are no markup


def errors_json(error: KitfoldError) -> dict[str, list[dict[str, str]]]:
    """Return an error as --json prints it: its mistakes, each with where, what and hint."""
    return {"errors": [{"where": one.where, "what": one.what, "hint": one.hint} for one in error.mistakes]}


def common_options(function: Function) -> Function:
    """Give a command --json, --quiet and --debug; it receives `voice`."""

    def wrapped(*args: Any, as_json: bool, quiet: bool, debug: bool, **kwargs: Any) -> Any:
        voice = Voice(as_json, quiet, debug)
        try:
            return function(*args, voice=voice, **kwargs)
        except KitfoldError as error:
            voice.result(errors_json(error))
            raise

    wrapped.__name__, wrapped.__doc__ = function.__name__, function.__doc__
    wrapped.__dict__.update(function.__dict__)  # click's options so far
    command: Any = wrapped
    command = click.option("--debug", is_flag=True, help="Show the trace of an error.")(command)
    command = click.option("--quiet", is_flag=True, help="Print errors only.")(command)
    return click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and nothing else.")(command)  # type: ignore[no-any-return]


def jobs_option(function: Function) -> Function:
    """Give a command --jobs; it receives `jobs`, the number of threads."""
    return click.option(
        "--jobs",
        type=click.IntRange(1, 256),
        default=None,
        metavar="N",
        help="Threads; default: one a processor. The result is the same.",
    )(function)
