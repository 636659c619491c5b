"""Usage: options that would change nothing, and the status with which a command ends."""

import click
from click.core import ParameterSource

__all__ = ["INTERRUPTED", "REFUSED", "refuse_idle"]

REFUSED = 3
"""Exit status of what was measured and refused."""
INTERRUPTED = 130
"""Exit status that shells give for Ctrl-C."""


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
