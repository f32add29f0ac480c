"""Pages and files made for printing and keeping, shown in the browser: sheet, report, confirmation, card, story."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from starlette.responses import HTMLResponse, Response

from doe.acts.base import slug
from doe.acts.base import today as this_day
from doe.acts.comparison.verdict import weigh_comparison, write_comparison
from doe.acts.conditions import certificate_cautions
from doe.acts.confirmation.verdict import weigh_confirmation, write_confirmation
from doe.acts.recipe.known import tell_known
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.sheets import write_artwork, write_key, write_sheets
from doe.acts.study.standing import answer_now, standing_of_recipe
from doe.bench.web import Visit, go
from doe.domain.errors import InputError
from doe.office import works
from doe.office.steps import beside, recipe_url, told
from doe.words.gauges.cautions import caution_words
from reports.recipe.card import recipe_card
from reports.recipe.known import known_page

PAPER_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; font-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-scripts allow-modals"
)
"""A page made for keeping carries its own styles and scripts; here it runs with no access to anything of ours."""

_BACK = """<style>
.to-tool {{ font: 600 16px sans-serif; padding: 12px 0; margin: 0 }}
@media print {{ .to-tool {{ display: none }} }}
</style>
<nav class="to-tool" aria-label="{text}"><a href="{url}">{text}</a></nav>
"""
_WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def paper(visit: Visit) -> Response:
    """A page of a study; a report is worked out beside and shown once it is there."""
    number, name = visit.number("study"), visit.word("paper")
    back = f"/study/{number}"
    if name == "report":
        return _report(visit, number, back)
    shop = visit.bench.shop
    if name == "entry":
        made = _written(lambda out: write_sheets(shop.look, number, out, shown=shop.shown, made_by=visit.who), ".xlsx")
        file = f"{slug(shop.look.study(number).name)}.xlsx"
        return _kept(made, _WORKBOOK, file)
    if name in ("artwork", "artwork_mirrored"):
        mirrored = name == "artwork_mirrored"
        made = _written(lambda out: write_artwork(out, mirrored=mirrored), ".pdf")
        return _kept(made, "application/pdf", f"test-image{'-mirrored' if mirrored else ''}.pdf")
    acts: dict[str, Callable[[Path], object]] = {
        "sheet": lambda out: write_sheets(shop.look, number, out, shown=shop.shown, made_by=visit.who),
        "key": lambda out: write_key(shop.look, number, out, shown=shop.shown),
        "confirmation": lambda out: write_confirmation(
            weigh_confirmation(shop.look, number), out, shown=shop.shown, made_by=visit.who
        ),
        "comparison": lambda out: write_comparison(
            shop.look, weigh_comparison(shop.look, number), out, shown=shop.shown, made_by=visit.who
        ),
    }
    if name not in acts:
        raise InputError(
            "page", f"no such page as {name}", f"one of {', '.join((*acts, 'report', 'entry', 'artwork'))}", "Go back."
        )
    return _shown(_written(acts[name], ".html").decode(), back)


def _report(visit: Visit, number: int, back: str) -> Response:
    """The report of a study as it stands; worked out once for what the book holds."""
    shop = visit.bench.shop
    key = ("report", number, shop.last_act_about(number), this_day())
    made = shop.found(key)
    if made is not None:
        return _shown(made, back)

    record = shop.look.study(number)
    if record.study.known is not None:
        return _shown(known_page(tell_known(shop.look, record, shown=shop.shown, now=datetime.now(UTC))), back)
    if answer_now(shop.look, record) is None:
        return go(back)  # there it can be asked for: a look works out no answer

    def then(page: str) -> str:
        shop.keep(key, page)
        return f"/paper/{number}/report"

    work = partial(works.write_report, number=number, shown=shop.shown)
    return go(beside(visit, f"report-{number}", told("working_report"), work, then))


def card(visit: Visit) -> Response:
    """The card of a recipe for the wall."""
    shop = visit.bench.shop
    kept = find_recipe(shop.look, visit.word("recipe"))
    expired = caution_words(certificate_cautions(shop.look, kept.recipe.line.name, this_day()))
    made = recipe_card(kept, this_day(), shop.shown, standing_of_recipe(shop.look, kept), expired)
    return _shown(made, recipe_url(kept.recipe.name))


def why(visit: Visit) -> Response | str:
    """Why a recipe was chosen; its figures are made again, so it is worked out beside."""
    shop, name = visit.bench.shop, visit.word("recipe")
    found = find_recipe(shop.look, name)
    if not found.recipe.is_searched and found.study_id is not None:
        record = shop.look.study(found.study_id)
        story = tell_known(shop.look, record, found, shown=shop.shown, now=datetime.now(UTC))
        return _shown(known_page(story), recipe_url(name))
    key = ("why", name, shop.last_act_about(found.study_id or 0), this_day())
    made = shop.found(key)
    if made is not None:
        return _shown(made, recipe_url(name))

    def then(page: str) -> str:
        shop.keep(key, page)
        return recipe_url(name, "why")

    work = partial(works.write_why, name=name, shown=shop.shown)
    return go(beside(visit, f"why-{slug(name)}", told("working_why"), work, then))


def _written(act: Callable[[Path], object], ending: str) -> bytes:
    """What an act writes to a file."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / f"page{ending}"
        act(place)
        return place.read_bytes()


def _kept(content: bytes, kind: str, file: str) -> Response:
    """A file to be kept by the browser."""
    return Response(content, media_type=kind, headers={"content-disposition": f'attachment; filename="{file}"'})


def _shown(html: str, back: str) -> Response:
    """A page that was made for keeping, with a way back to the tool that is not printed."""
    head, mark, body = html.partition("<body")
    tag, closing, rest = body.partition(">")
    way = _BACK.format(url=back, text=told("back"))
    return HTMLResponse(head + mark + tag + closing + way + rest, headers={"content-security-policy": PAPER_POLICY})
