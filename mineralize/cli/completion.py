"""Shell completion, made from the grammar of the command line: commands, options, and files where a value is one."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

SHELLS = ("bash", "zsh", "fish")


def script(parser: argparse.ArgumentParser, shell: str) -> str:
    """What a shell of :data:`SHELLS` is to read, as in ``eval "$(mineralize completion bash)"``."""
    commands = dict(_commands(parser))
    if shell == "fish":
        return _fish(parser.prog, commands)
    bash = _bash(parser.prog, commands)
    return bash if shell == "bash" else f"autoload -U +X bashcompinit && bashcompinit\n{bash}"


def _commands(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            yield from action.choices.items()


def _options(parser: argparse.ArgumentParser) -> list[argparse.Action]:
    return [action for action in parser._actions if action.option_strings]


def _words(parser: argparse.ArgumentParser) -> str:
    fixed = [str(c) for a in parser._actions if not a.option_strings and a.choices for c in a.choices]
    return " ".join([*fixed, *(word for action in _options(parser) for word in action.option_strings)])


def _bash(prog: str, commands: dict[str, argparse.ArgumentParser]) -> str:
    cases = "\n".join(f'        {name}) words="{_words(sub)}" ;;' for name, sub in commands.items())
    return f"""\
_{prog}() {{
    local current="${{COMP_WORDS[COMP_CWORD]}}" words="{" ".join(commands)} --help --version"
    if [ "$COMP_CWORD" -gt 1 ]; then
        case "${{COMP_WORDS[1]}}" in
{cases}
        *) words="" ;;
        esac
    fi
    COMPREPLY=($(compgen -W "$words" -- "$current") $(compgen -f -- "$current"))
    if [ "$COMP_CWORD" -eq 1 ] || [ "${{current#-}}" != "$current" ]; then
        COMPREPLY=($(compgen -W "$words" -- "$current"))
    fi
}}
complete -o filenames -F _{prog} {prog}
"""


def _fish(prog: str, commands: dict[str, argparse.ArgumentParser]) -> str:
    names = " ".join(commands)
    lines = [f'complete -c {prog} -f -n "not __fish_seen_subcommand_from {names}" -a "{names}"']
    for name, sub in commands.items():
        seen = f'-n "__fish_seen_subcommand_from {name}"'
        for action in _options(sub):
            words = " ".join(f"-{'l' if w.startswith('--') else 's'} {w.lstrip('-')}" for w in action.option_strings)
            wants = "" if action.nargs == 0 else " -r"
            about = (action.help or "").replace("%(default)s", str(action.default)).replace("'", "")
            lines.append(f"complete -c {prog} {seen} {words}{wants} -d '{about}'")
    return "\n".join(lines) + "\n"
