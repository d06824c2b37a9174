"""The command line: one visible list of commands, and the one place where an exception becomes an exit code.

Exit codes: 0 done; 1 the work ran and falls short; 2 it could not run; 3 a bug of ours; 130 interrupted.
"""

from __future__ import annotations

import gc
import os
import sys
from importlib import import_module
from io import TextIOWrapper

import click

from kitfold import __version__
from kitfold.errors import KitfoldError, PlanError

__all__ = ["COMMANDS", "cli", "main"]

COMMANDS: dict[str, tuple[str, str]] = {
    "init": ("kitfold.cli.init", "Write a starter kit.toml for a folder of bounces, or the kit of a published pack."),
    "inspect": ("kitfold.cli.inspect", "Measure sounds: root, level, length, tail, brightness, stereo."),
    "check": ("kitfold.cli.check", "Validate a kit and its inputs, say what would be built."),
    "build": ("kitfold.cli.build", "Build kits, each into ./build/NAME-DEVICE/."),
    "watch": ("kitfold.cli.watch", "Build again whenever something is saved, and show the sheet."),
    "publish": ("kitfold.cli.publish", "Write the downloadable pack ./build/NAME-VERSION.zip."),
    "verify": ("kitfold.cli.verify", "Re-hash and re-measure a build or a pack, say what differs from its manifest."),
    "compare": ("kitfold.cli.compare", "Say what changed between two builds or packs, sound by sound."),
    "devices": ("kitfold.cli.presets", "List the devices, or show one whole."),
    "recipes": ("kitfold.cli.presets", "List the recipes, or show one whole."),
    "steps": ("kitfold.cli.presets", "List the steps, or show one with its settings."),
}
"""Every command, the module that has it, and its line in the help; a module is loaded when its command runs."""

_OBJECTS = 50_000  # between looks for dead rings: loading makes many objects and no dead ones, and looking takes time
_INTERRUPTED = 130  # 128 and the number of the signal, as shells count


class _Commands(click.Group):
    """A group that loads a command when it is asked for, so that `--help` costs nothing but click."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(COMMANDS[cmd_name][0]), cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from difflib import get_close_matches

            close = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{close[0]}'?" if close else ""
            ctx.fail(f"no such command '{args[0]}'; there are {', '.join(COMMANDS)}.{hint}")
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="kitfold", message="%(prog)s %(version)s")
def cli() -> None:
    """From synth bounces to a small sampler kit: tuned, stacked, level-matched, fitted and measured.

    Start with `kitfold init FOLDER`, then `kitfold build kit.toml`.
    """


def main() -> None:
    """Run the command line and exit with its code."""
    gc.set_threshold(_OBJECTS)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # not every terminal and code page has every letter
            stream.reconfigure(errors="backslashreplace")
    code = _exit_code(sys.argv[1:])
    if code == _INTERRUPTED:  # at once: Python would wait for the step that a thread is in
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


def _exit_code(arguments: list[str]) -> int:
    debug = "--debug" in arguments
    try:
        return int(cli.main(arguments, prog_name="kitfold", standalone_mode=False) or 0)
    except (click.Abort, KeyboardInterrupt):
        click.echo("kitfold: interrupted; nothing half-written is left behind", err=True)
        return _INTERRUPTED
    except click.ClickException as error:
        error.show()
        if "--json" in arguments:
            from kitfold.cli.common import Voice, errors_json

            mistake = PlanError(error.format_message(), where="the command line", hint="kitfold --help")
            Voice(as_json=True).result(errors_json(mistake))
        return error.exit_code
    except KitfoldError as error:
        if debug:
            raise
        click.echo(f"kitfold: {error}", err=True)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output went away; nothing is wrong
        return 0
    except Exception as error:
        if debug:
            raise
        click.echo(_bug(error), err=True)
        return 3


def _bug(error: Exception) -> str:
    """Save the trace of a bug of ours and say where."""
    import traceback

    from kitfold.files.trace import save_trace

    text = "".join(traceback.format_exception(error))
    return (
        f"kitfold: a bug of ours ({type(error).__name__}: {error})\n"
        f"  the trace was saved to {save_trace(text)}; please report it with what you ran"
    )
