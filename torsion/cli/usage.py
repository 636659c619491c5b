"""Usage: options that would change nothing, how a command gives its JSON, and the status it ends with."""

import os

import click
from click.core import ParameterSource

from torsion.files import write_whole

__all__ = ["INTERRUPTED", "REFUSED", "NamedPath", "give_json", "refuse_idle"]

REFUSED = 3
"""Exit status of what was measured and refused."""
INTERRUPTED = 130
"""Exit status that shells give for Ctrl-C."""


class NamedPath(click.Path):
    """A path that must have a name: an empty one, as an unset variable gives, would be the current folder."""

    def convert(
        self,
        value: str | os.PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> str | bytes | os.PathLike[str]:
        """Refuse what has no name."""
        if value == "":
            self.fail("must be a name, not empty", param, ctx)
        return super().convert(value, param, ctx)


def refuse_idle(*options: str, when: object, why: str) -> None:
    """Refuse an option that was typed in although it would change nothing; a default is never refused.

    Parameters
    ----------
    *options : str
        As they are typed, ``--seed``; or the name of an argument.
    when : object
        Whether the options would change nothing in this call.
    why : str
        What such an option needs or clashes with; in the message it follows the option's name.

    Raises
    ------
    click.UsageError
        With the first such option.
    """
    context = click.get_current_context()
    if not when:
        return
    for parameter in context.command.params:
        typed = context.get_parameter_source(str(parameter.name)) is ParameterSource.COMMANDLINE
        if typed and (idle := set(options) & set(parameter.opts)):
            name = min(idle)
            msg = f"{name.upper() if isinstance(parameter, click.Argument) else name} {why}"
            raise click.UsageError(msg)


def give_json(text: str, json_to: str | None) -> bool:
    """Write a record's text to a file, or print it where ``-`` is asked for.

    It is printed as UTF-8 whatever the terminal's letters, so the same bytes come out on every machine.

    Returns
    -------
    bool
        Whether the words for a person are to be printed, in other words the JSON has not taken their place.
    """
    if json_to == "-":
        click.echo(text.encode(), nl=False)
        return False
    if json_to is not None:
        write_whole(text, json_to)
    return True
