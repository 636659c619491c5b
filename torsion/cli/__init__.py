"""The command line: each command parses, calls one library function, and prints or writes what it returns."""

import errno
import importlib
import io
import logging
import platform
import sys
import warnings

import click

from torsion._version import __version__
from torsion.cli.usage import INTERRUPTED
from torsion.errors import PhotoError, TorsionError

__all__ = ["main"]

# Command name -> (module that holds a click command named ``command``, one line for ``torsion --help``).
# The module is imported only when its command is used, so that ``torsion --help`` is instant.
_COMMANDS: dict[str, tuple[str, str]] = {
    "inspect": ("torsion.cli.inspect", "Whether photos are good enough, and which of them is the best."),
    "measure": ("torsion.cli.measure", "How far the eye has turned between two photos; carries the axis."),
    "ink": ("torsion.cli.ink", "Ink marks at the limbus: where they are, how wide, and what they miss."),
    "demo": ("torsion.cli.demo", "Photos of an invented eye with a known answer, to try and to teach."),
    "cohort": ("torsion.cli.cohort", "Many pairs from a list: a table of results, resumable."),
    "validate": ("torsion.cli.validate", "Your own camera put to the test, with a verdict and a report."),
    "landmarks": ("torsion.cli.landmarks", "A sheet of landmarks to print; rotation from hand-picked pairs."),
    "level": ("torsion.cli.level", "How head and camera lay; what both eyes share."),
    "plan": ("torsion.cli.plan", "Axis of a toric lens, and what each cylinder on offer would leave."),
    "residual": ("torsion.cli.residual", "Refraction that a lens turned off axis leaves."),
    "recheck": ("torsion.cli.recheck", "Best axis of a lens in the eye, and whether turning it is worth it."),
    "budget": ("torsion.cli.budget", "Uncertainty of the axis, part by part, and the cylinder it costs."),
}


class _LazyGroup(click.Group):
    """Group whose commands are imported when they are first asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        try:
            command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        except ImportError:
            importlib.import_module("torsion.raster")  # where OpenCV is what fails, it says what to do
            raise
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; what cannot be used or written ends in one sentence and exit status 1."""
        from torsion.wording import printable

        try:
            with warnings.catch_warnings():
                # Pictures show a box for each letter that their font lacks; texts and records have the name.
                warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from", category=UserWarning)
                return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("\ninterrupted", err=True)
            ctx.exit(INTERRUPTED)
        except PhotoError as fault:
            raise click.ClickException(printable(str(fault))) from fault
        except TorsionError as fault:  # of a list all mistakes are told, a line each
            raise click.ClickException(str(fault)) from fault
        except OSError as fault:
            if fault.errno == errno.EPIPE:  # the reader of the output has left, which click sees to
                raise
            where = "a file" if fault.filename is None else f"'{fault.filename}'"
            msg = f"{where} cannot be read or written: {fault.strerror or fault}"
            if isinstance(fault, FileNotFoundError):  # in the words that are said of a photo
                msg = f"{where} does not exist"
            raise click.ClickException(printable(msg)) from fault

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if _COMMANDS:
            with formatter.section("Commands"):
                formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


def _show_versions(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    """Print versions, read from what is installed: a package that does not load is to show as well."""
    if not wanted:
        return
    from importlib import metadata  # slow to import, and wanted here only

    installed = {dist.name.lower(): dist.version for dist in metadata.distributions()}
    opencv = [name for name in installed if name.startswith("opencv-") and "python" in name]
    lines = {
        "torsion": __version__,
        "Python": platform.python_version(),
        "numpy": installed.get("numpy", "missing"),
        "OpenCV": ", ".join(f"{installed[name]} ({name})" for name in sorted(opencv)) or "missing",
        "Pillow": installed.get("pillow", "missing"),
    }
    click.echo("\n".join(f"{name:<8} {version}" for name, version in lines.items()))
    ctx.exit()


def _log_to_stderr(ctx: click.Context) -> None:
    """Show what the library logs while this command runs, with the time since the start."""
    logger = logging.getLogger("torsion")
    before = logger.level
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("%(relativeCreated)6.0f ms  %(message)s"))
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)

    def quiet_again() -> None:  # tests and notebooks run several commands in one process
        logger.removeHandler(handler)
        logger.setLevel(before)

    ctx.call_on_close(quiet_again)


def _replace_what_cannot_be_printed(ctx: click.Context) -> None:
    """Let a question mark stand for a letter that the output lacks, as in the name of a file."""
    stream = sys.stdout
    if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
        stream.reconfigure(errors="replace")
        ctx.call_on_close(lambda: stream.reconfigure(errors="strict"))


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_show_versions,
    help="Show the version, and those of what results depend on.",
)
@click.option("-v", "--verbose", is_flag=True, help="Say on stderr what each stage finds, and when.")
@click.pass_context
def main(ctx: click.Context, *, verbose: bool) -> None:
    """Measure how far an eye has turned between two photos, and carry a toric axis with it.

    A second check, not a medical device: the surgeon's judgement, local rules and licensed practice prevail.

    Try it:

        torsion demo --torsion 6

    Then torsion COMMAND --help shows the options of a command, with an example.
    """
    _replace_what_cannot_be_printed(ctx)
    if verbose:
        _log_to_stderr(ctx)
