"""The faces of our pages: Barlow (SIL Open Font License 1.1) cut down to what is printed, as one style sheet.

Run with ``python -m tests.benchmarks.make_faces FOLDER``, where FOLDER holds the TrueType files and the licence; needs
fonttools and brotli, which nothing else here does. The files came with the packages fontpkg-barlow and
fontpkg-barlow-semi-condensed of the Python package index (``pip download --no-deps``, unpacked side by side).
"""

from __future__ import annotations

import base64
import io
import sys
from pathlib import Path

from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont

TEMPLATES = Path(__file__).parents[2] / "templates"
FACES = (
    ("Barlow", 400, "Barlow-Regular.ttf"),
    ("Barlow", 600, "Barlow-SemiBold.ttf"),
    ("Barlow Semi Condensed", 600, "BarlowSemiCondensed-SemiBold.ttf"),
)
LETTERS = "".join(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180))))
SIGNS = "\u2009\u2013\u2014\u2018\u2019\u201c\u201d\u201e\u2022\u2026\u2032\u2033\u20ac\u2212\u2248\u2260\u2264\u2265"
NARROW = "".join(map(chr, range(0x20, 0x7F))) + "\u00a0°±·×ÄÖÜßäöüéè\u2013\u2019\u2212\u2264\u2265"
HEAD = (
    "/* Barlow, Copyright 2017 The Barlow Project Authors, SIL Open Font License 1.1 (faces-licence.txt); "
    "a subset made by tests/benchmarks/make_faces.py */\n"
)


def tabular(font: TTFont) -> dict[str, str]:
    """Glyphs that the feature of figures of one width puts in place of others."""
    table = font["GSUB"].table
    lookups = {
        index
        for record in table.FeatureList.FeatureRecord
        if record.FeatureTag == "tnum"
        for index in record.Feature.LookupListIndex
    }
    return {
        old: new
        for index in lookups
        for part in table.LookupList.Lookup[index].SubTable
        for old, new in getattr(part, "ExtSubTable", part).mapping.items()
    }


def subset(path: Path, letters: str) -> bytes:
    """A face with these letters only, its figures all of one width, as WOFF2; its notice of licence stays in it."""
    font = TTFont(path)
    instead = tabular(font)
    for table in font["cmap"].tables:
        table.cmap.update({code: instead.get(glyph, glyph) for code, glyph in table.cmap.items()})
    options = Options(
        flavor="woff2", layout_features=["kern", "mark", "ccmp"], hinting=False, name_IDs=[0, 1, 2, 13, 14]
    )
    chosen = Subsetter(options)
    chosen.populate(text=letters)
    chosen.subset(font)
    font.flavor = "woff2"
    made = io.BytesIO()
    font.save(made)
    return made.getvalue()


def main(folder: Path) -> None:
    """Write the style sheet and the licence beside the other templates."""
    found = {path.name: path for path in folder.rglob("*.ttf")}
    rules = [HEAD]
    for family, weight, name in FACES:
        data = base64.b64encode(subset(found[name], LETTERS + SIGNS if family == "Barlow" else NARROW)).decode()
        rules.append(
            f'@font-face {{ font-family: "{family}"; font-weight: {weight}; font-display: block; '
            f'src: url("data:font/woff2;base64,{data}") format("woff2"); }}\n'
        )
    (TEMPLATES / "faces.css").write_text("".join(rules), encoding="ascii")
    licence = found[FACES[0][2]].parents[1] / "LICENSE"
    (TEMPLATES / "faces-licence.txt").write_text(licence.read_text(encoding="utf-8"), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
