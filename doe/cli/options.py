"""Arguments and options that several commands take."""

from __future__ import annotations

from typing import Annotated

import typer

Texts = list[str] | None
"""What an option that may be repeated was given."""
KEY = Annotated[str, typer.Argument(metavar="STUDY", help="Name or number of the study.")]
SEED = Annotated[
    int | None,
    typer.Option(min=0, max=2**63 - 1, help="Repeats the same random choices; by default from the study's name."),
]
PER_GARMENT = Annotated[
    int | None, typer.Option(min=1, help="Coupons pressed on one garment; at first 4, later as it was said.")
]
LIMIT_HELP = 'Repeat: NAME=VALUE@SOURCE, such as "film_max=175@film data sheet".'
MATERIAL_HELP = 'As "name; supplier=...; lot=...; detail=...".'

RECIPE = Annotated[str, typer.Argument(metavar="RECIPE", help="Name of the recipe, or the id on its card.")]
REVISION = Annotated[int | None, typer.Option(help="Which revision; the newest by default.")]
