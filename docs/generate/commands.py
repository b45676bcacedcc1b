"""The command reference, from the command line itself."""

from typing import Any

import typer.main

from framecheck.cli.main import app


def command_page() -> str:
    """All commands with their arguments and options, as reStructuredText."""
    group: Any = typer.main.get_command(app)
    lines = [
        "Commands",
        "========",
        "",
        "Exit codes: 0 done; 1 done, but some files could not be measured or placed, each named with its reason;",
        "2 wrong usage, or a file that cannot be used; 3 nothing measurable was found; 4 disk, permissions or workers",
        "kept it from its end. ``NO_COLOR`` in the environment is honoured; in a pipe there is neither colour nor",
        "progress. ``framecheck --install-completion`` teaches your shell to complete commands and options.",
        "",
    ]
    for name, command in group.commands.items():
        if not command.hidden:
            lines += _command(name, command)
    return "\n".join(lines)


def _command(name: str, command: Any) -> list[str]:
    title = f"framecheck {name}"
    context = command.make_context(title, [], resilient_parsing=True)
    arguments = [one for one in command.params if one.param_type_name == "argument"]
    options = [one for one in command.params if one.param_type_name == "option" and one.name != "help"]
    usage = " ".join([title, *(_argument(one) for one in arguments), "[OPTIONS]" if options else ""]).rstrip()
    lines = [f".. _command-{name}:", "", title, "-" * len(title), "", (command.help or "").strip(), ""]
    lines += [".. code-block:: text", "", f"   {usage}", ""]
    for one in arguments:
        lines += [f"``{one.metavar or one.name.upper()}``", f"   {one.help or ''}", ""]
    for one in options:
        names, words = one.get_help_record(context)
        lines += [f"``{names}``", f"   {_plain(words)}", ""]
    example = (command.epilog or "").removeprefix("Example: ")
    return [*lines, *([".. code-block:: text", "", f"   {example}", ""] if example else [])]


def _argument(one: Any) -> str:
    name = (one.metavar or one.name.upper()).removesuffix("...")
    shown = name + ("..." if one.nargs == -1 else "")
    return shown if one.required else f"[{shown}]"


def _plain(text: str) -> str:
    """Text of a terminal in which no sign has a meaning."""
    for sign in ("\\", "*", "`", "|"):
        text = text.replace(sign, f"\\{sign}")
    return " ".join(text.split())
