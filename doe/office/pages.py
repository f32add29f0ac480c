"""Addresses of the pages for the whole job."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from starlette.responses import Response
from starlette.routing import BaseRoute

from doe.bench.state import Bench
from doe.bench.web import Visit, go, looking, page, plain, posting
from doe.office import begin, compare, fails, lines, own_sheet, papers, people, recipes, study, today
from doe.office.steps import lines_of
from doe.office.views import WorkingPage
from doe.words.wording import percent


def pages(bench: Bench) -> Sequence[BaseRoute]:
    """Addresses beside those of the page at the press; its first page becomes the one of the whole job."""
    look, post = partial(looking, bench), partial(posting, bench)
    release = partial(posting, bench, right="releases")
    return [
        look("/", today.today),
        look("/waiting.ics", today.as_calendar),
        look("/begin", begin.begin),
        look("/begin/{draft}", begin.go_on),
        post("/begin-materials", begin.materials),
        post("/begin-machines", begin.machines),
        post("/begin-limits", begin.limits),
        post("/begin-question", begin.question),
        post("/forget/{draft}", begin.throw_away),
        look("/own-sheet", own_sheet.choose),
        post("/own-sheet", own_sheet.take),
        look("/own-sheet/{draft}", own_sheet.see),
        post("/own-columns", own_sheet.columns),
        look("/own-question/{draft}", own_sheet.ask),
        post("/own-question", own_sheet.store),
        look("/study/{study:int}", study.study),
        look("/limits/{study:int}", study.limits_form),
        post("/limits/{study:int}", study.limits),
        post("/plan/{study:int}", study.plan),
        post("/withdraw-plan/{study:int}", study.withdraw),
        post("/put-away/{study:int}", study.put_away),
        post("/take-out/{study:int}", study.take_out),
        post("/answer/{study:int}", study.answer),
        post("/extend/{study:int}", study.extend),
        look("/confirm/{study:int}", study.confirm_anew),
        post("/confirm/{study:int}", study.confirm),
        post("/conditions/{study:int}", study.conditions),
        post("/again/{study:int}", study.again),
        release("/release/{study:int}", study.release),
        look("/working/{job}", working),
        look("/paper/{study:int}/{paper}", papers.paper),
        look("/recipe/{recipe:path}/card", papers.card),
        look("/recipe/{recipe:path}/why", papers.why),
        look("/recipe/{recipe:path}/compare", compare.compare),
        post("/recipe/{recipe:path}/offer", compare.offer),
        post("/recipe/{recipe:path}/begin", compare.begin),
        post("/judged/{study:int}", compare.judged),
        post("/more-strokes/{study:int}", compare.more),
        post("/retune/{study:int}", compare.retune),
        release("/also/{study:int}", compare.also),
        release("/recipe/{recipe:path}/retire", recipes.retire),
        post("/recipe/{recipe:path}/day", recipes.keep),
        post("/recipe/{recipe:path}/day-back", recipes.take_back),
        release("/recipe/{recipe:path}/explained", recipes.explain),
        look("/recipe/{recipe:path}", recipes.recipe),
        look("/fails", fails.fails),
        look("/fails/found", fails.found),
        post("/fails/kept", fails.keep),
        post("/fails/closed", fails.close),
        look("/people", people.people),
        release("/people", people.put),
        release("/people-off", people.off),
        look("/lines", lines.lines),
        look("/line/{line:path}", lines.line),
        post("/line/{line:path}", lines.measured),
        post("/certificate/{line:path}", lines.certified),
        post("/changed-machine/{line:path}", lines.changed_machine),
        post("/withdraw-reading/{line:path}", lines.withdraw),
    ]


def working(visit: Visit) -> Response:
    """How far a work is that was begun; once it is over, what it came to."""
    key = visit.word("job")
    job = visit.bench.jobs.find(key)
    if job is None:
        return go("/")
    if job.problem is not None:
        return plain(visit, "refused", *lines_of(job.problem), status=422)
    if job.is_broken:
        return plain(visit, "mistake", status=500)
    if job.then:
        return go(job.then)
    return page("office_working.html", WorkingPage(visit.frame(), job.heading, percent(job.share), f"/working/{key}"))
