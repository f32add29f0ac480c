"""`doe sheet`: the bench sheet to print, and entry files to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from doe.acts.study.sheets import write_artwork, write_labels, write_sheets
from doe.cli.desk import Desk, Reply, Warn, command
from doe.cli.gauge_dials import caution_lines
from doe.domain.errors import InputError, quoted
from doe.domain.jsonable import named
from doe.words.wording import count


@command("sheet")
def sheet(
    desk: Desk,
    study: str | None = None,
    output: Path = Path("sheets"),
    person: Sequence[str] = (),
    round_number: int | None = None,
    labels: str | None = None,
    link: str = "",
    skip: int = 0,
    artwork: Path | None = None,
    mirrored: bool = False,
) -> Reply:
    """Write the bench sheet (HTML, to print) and entry files (XLSX and CSV, to fill in), labels, or a test image."""
    if artwork is not None:
        return _artwork(artwork, mirrored=mirrored)
    if mirrored:
        raise InputError("--mirrored", "no test image", "only with --artwork", "Add --artwork image.pdf.")
    if study is None:
        raise InputError("study", "none named", "the study the coupons belong to", "See them with doe study list.")
    if labels is not None:
        with desk.look() as book:
            stuck = write_labels(
                book,
                study,
                output,
                grid=labels.lower(),
                link=link,
                skip=skip,
                round_number=round_number,
            )
        codes = "" if stuck.link else " The codes hold the coupon's name; with --link they open its page."
        return Reply(
            {**named(stuck, "study", "round", "labels", "link"), "files": (stuck.path,)},
            (
                f"{count(stuck.labels, 'label')} for round {stuck.round} of {stuck.study}:",
                f"  {stuck.path}",
                f"For {stuck.grid.words}.{codes}",
            ),
            ("print at full size (100 %), first on plain paper to try",),
        )
    if link or skip:
        raise InputError(
            "--link" if link else "--skip",
            link or skip,
            "only with --labels",
            "Add --labels a4 or --labels letter.",
        )
    with desk.look() as book:
        made = write_sheets(
            book, study, output, people=person, round_number=round_number, shown=desk.shown, made_by=desk.name
        )
    nobody = (
        ()
        if made.people or not made.wants_hand
        else (Warn("Nobody is named for hand-feel, which is part of the target: add --person NAME."),)
    )
    entry = next((f for f in made.files if f.suffix == ".xlsx"), made.files[-1])
    return Reply(
        {**named(made, "study", "round", "files", "people"), "gauge_cautions": made.cautions},
        (
            f"Round {made.round} of {made.study}:",
            *(f"  {f}" for f in made.files),
            *nobody,
            *caution_lines(made.cautions),
        ),
        ("print the .html and work through it", f"doe record {quoted(made.study)} --file {quoted(str(entry))}"),
        more=[Warn(text) for text in made.cautions],
    )


def _artwork(output: Path, *, mirrored: bool) -> Reply:
    """The test image that goes on coupons; it belongs to no study."""
    made = write_artwork(output, mirrored=mirrored)
    turned = "mirrored" if mirrored else "not mirrored"
    return Reply(
        {"files": (made.path,), "width_mm": made.side_mm, "height_mm": made.side_mm, "mirrored": mirrored},
        (
            f"The test image for coupons, {made.side_mm:g} x {made.side_mm:g} mm, {turned}:",
            f"  {made.path}",
            "It has solids, lines and gaps of named widths, small letters, dots, gradients, and a frame for the "
            "coupon's code.",
            "Nothing is painted where the cloth is to stay bare. Mirror it once: here, or in the program that prints.",
        ),
        ("print it at full size (100 %), then hold a ruler to its 50 mm", "write each coupon's code into its frame"),
    )
