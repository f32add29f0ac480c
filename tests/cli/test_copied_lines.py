"""Command lines are printed to be copied: the shell must read back the very name, and do nothing else."""

from __future__ import annotations

import os
import shlex

import pytest

from doe.domain.errors import quoted

NAMES = [
    "tee-fine",
    "new powder",
    "a;b",
    "$HOME",
    "`id`",
    "$(id)",
    'say "hi"',
    "it's",
    "back\\slash",
    "wow!",
    "sheets/a.xlsx",
    "布",
    "a&b|c>d",
    "'\"$x",
]


@pytest.mark.skipif(os.name == "nt", reason="another shell, other rules")
@pytest.mark.parametrize("name", NAMES)
def test_a_shell_reads_back_the_name(name: str) -> None:
    text = quoted(name)
    assert shlex.split(text) == [name]
    if any(sign in name for sign in "$`!"):
        assert text.startswith("'")
