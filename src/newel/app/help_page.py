"""The page docs/command-line.md, written from the commands themselves: `python -m newel.app.help_page` prints it."""

from __future__ import annotations

from collections.abc import Iterator

import click

from newel.app.cli import newel

_HEAD = """# The command line

One executable, `newel`. Errors go to stderr as one block: what is wrong, where, what to do.

| exit status | means |
|---|---|
| 0 | done, and proved |
| 1 | done, and not proved: the findings say why |
| 2 | the input was refused; nothing was written |
| 130 | stopped by Ctrl-C; nothing half written is left |

On a terminal a bar shows how far a job is and how long it may still take, once it takes more than two seconds. `--quiet`
and `NO_COLOR` are honoured, and what goes into a pipe or a file is plain. `--debug`, anywhere on the line, shows an
error's traceback.

This page is written from the program's own help (`python -m newel.app.help_page`); a test holds it fresh.
"""


def help_page() -> str:
    """Return the page: one section a command, with its help word for word."""
    sections = [_HEAD]
    for path, command in commands(newel, ("newel",)):
        context = click.Context(command, info_name=" ".join(path), max_content_width=100, terminal_width=100)
        sections.append(f"## {' '.join(path)}\n\n```text\n{command.get_help(context).rstrip()}\n```\n")
    return "\n".join(sections)


def commands(group: click.Group, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield every command with the words that call it, groups before what is in them."""
    yield path, group
    for name, command in sorted(group.commands.items()):
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name), command


if __name__ == "__main__":
    click.echo(help_page(), nl=False)
