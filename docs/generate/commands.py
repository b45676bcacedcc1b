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
        "2 wrong usage, or a file that cannot be used; 3 nothing measurable was found. ``NO_COLOR`` in the environment",
        "is honoured; in a pipe there is neither colour nor progress. ``framecheck --install-completion`` teaches your",
        "shell to complete commands and options.",
        "",
    ]
    for name, command in group.commands.items():
        if not command.hidden:
            lines += _command(name, command)
    return "\n".join(lines)


def _command(name: str, command: Any) -> list[str]:
    title = f"framecheck {name}"
    arguments = [one for one in command.params if one.param_type_name == "argument"]
    options = [one for one in command.params if one.param_type_name == "option" and one.name != "help"]
    usage = " ".join([title, *(_argument(one) for one in arguments), "[OPTIONS]" if options else ""]).rstrip()
    lines = [f".. _command-{name}:", "", title, "-" * len(title), "", (command.help or "").strip(), ""]
    lines += [".. code-block:: text", "", f"   {usage}", ""]
    for one in arguments:
        lines += [f"``{one.metavar or one.name.upper()}``", f"   {one.help or ''}", ""]
    for one in options:
        lines += [f"``{_option(one)}``", f"   {_about(one)}", ""]
    example = (command.epilog or "").removeprefix("Example: ")
    return [*lines, *([".. code-block:: text", "", f"   {example}", ""] if example else [])]


def _argument(one: Any) -> str:
    name = (one.metavar or one.name.upper()).removesuffix("...")
    shown = name + ("..." if one.nargs == -1 else "")
    return shown if one.required else f"[{shown}]"


def _option(one: Any) -> str:
    names = ", ".join(one.opts)
    if one.is_flag:
        return names
    choices = getattr(one.type, "choices", None)
    value = "|".join(str(getattr(choice, "value", choice)) for choice in choices) if choices else one.metavar
    return f"{names} {value or one.type.name.upper()}"


def _about(one: Any) -> str:
    words = (one.help or "").strip()
    default = one.default
    if one.required:
        return f"{words} Needed."
    if default is None or default is False or callable(default) or default == ():
        return words
    return f"{words} Default: ``{getattr(default, 'value', default)}``."
