"""What cannot be taken back is said before it is done."""

from __future__ import annotations

import pytest

from doe.office.steps import told


@pytest.mark.parametrize("lead", ["plan_lead", "extend_lead", "confirm_lead", "release_lead"])
def test_a_page_says_what_cannot_be_taken_back(lead):
    assert "cannot be taken back" in told(lead)


@pytest.mark.parametrize(("words", "option"), [(("plan",), "--choose"), (("confirm",), "--plan")])
def test_a_command_says_what_cannot_be_taken_back(words, option):
    from typer.testing import CliRunner

    from doe.cli.app import app

    said = " ".join(CliRunner().invoke(app, [*words, "--help"]).output.split())
    assert "cannot be taken back" in said.partition(f" {option} ")[2]
