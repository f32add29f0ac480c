"""What cannot be taken back is said before it is done."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(("words", "option"), [(("plan",), "--choose"), (("confirm",), "--plan"), (("release",), "")])
def test_a_command_says_what_cannot_be_taken_back(words, option):
    from typer.testing import CliRunner

    from doe.cli.app import app

    said = " ".join(CliRunner().invoke(app, [*words, "--help"]).output.split())
    assert "cannot be taken back" in (said.partition(f" {option} ")[2] if option else said)
