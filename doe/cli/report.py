"""`doe report`: the study report, one HTML file that documents why."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from doe.acts.recipe.known import write_known
from doe.acts.recipe.recipes import find_recipe
from doe.acts.recipe.story import write_story
from doe.acts.study.sheets import write_report
from doe.acts.study.standing import standing_of
from doe.cli.desk import Desk, Reply, command
from doe.cli.recommend import history
from doe.cli.study_words import standing_data
from doe.domain.errors import InputError, quoted
from doe.words.recipe.record import item_data
from doe.words.study.standing import headline
from reports.recipe.story import record_sentence, repeat_sentence


@command("report")
def report(
    desk: Desk,
    study: str | None = None,
    output: Path = Path("report.html"),
    seed: int | None = None,
    recipe: str | None = None,
    revision: int | None = None,
) -> Reply:
    """Write the report of a study, or why a recipe was chosen: one HTML file that needs no network."""
    if recipe is not None:
        _refuse_both(study, seed)
        return _known(desk, output, recipe=recipe, revision=revision) or _story(desk, recipe, revision, output)
    if study is None or revision is not None:
        raise InputError(
            "doe report",
            "no study" if study is None else "--revision without --recipe",
            "a study, or --recipe NAME",
            'Write it like: doe report "new powder"',
        )
    if (known_settings := _known(desk, output, study=study)) is not None:
        return known_settings
    with desk.open(create=False) as book, desk.progress("writing the report") as tell:
        path, found = write_report(book, study, output, shown=desk.shown, seed=seed, progress=tell)
        known = standing_of(book, study)
    name = found.fitted.record.name
    return Reply(
        {
            "study": name,
            "report": path,
            "verdict": found.answer.verdict,
            "standing": standing_data(known, desk.shown),
            "inputs_hash": found.fitted.hash,
            "kept_since": found.kept.made_at if found.kept else None,
            "results_changed_since": found.before.made_at if found.before else None,
        },
        (f"The report of {name} is in {path}. {headline(known, desk.shown)}.", *history(found)),
        (f"open {path} in a browser",),
    )


def _known(desk: Desk, output: Path, *, study: str = "", recipe: str = "", revision: int | None = None) -> Reply | None:
    """The page of known settings, of a study or a recipe; None where settings were searched for."""
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision) if recipe else None
        if kept is not None and (kept.recipe.is_searched or kept.study_id is None):
            return None
        record = book.study(study if kept is None or kept.study_id is None else kept.study_id)
        if record.study.known is None:
            return None
        path, story = write_known(book, record, output, kept=kept, shown=desk.shown, now=datetime.now(UTC))
    return Reply(
        {
            "study": record.name,
            "recipe": None if story.revision is None else story.revision.recipe.name,
            "report": path,
            "settings": record.study.settings,
            "source": record.study.known,
            "standing": standing_data(story.standing, desk.shown),
            "complete": all(item.state != "missing" for item in story.items),
            "record": [item_data(item, record.name) for item in story.items],
        },
        (
            f"What is known of {record.name} is in {path}. {headline(story.standing, desk.shown)}.",
            record_sentence(story.items),
        ),
        (f"open {path} in a browser",),
    )


def _refuse_both(study: str | None, seed: int | None) -> None:
    if study is not None or seed is not None:
        found = "a study and a recipe" if study is not None else "--seed with a recipe"
        raise InputError("doe report", found, "a study, or --recipe NAME", "The seed of a recipe is kept with it.")


def _story(desk: Desk, recipe: str, revision: int | None, output: Path) -> Reply:
    """Write why a recipe was chosen."""
    with desk.look() as book, desk.progress("writing why") as tell:
        made = write_story(
            book, recipe, output, revision=revision, shown=desk.shown, now=datetime.now(UTC), progress=tell
        )
    story, found = made.story, made.story.revision.recipe
    return Reply(
        {
            "recipe": found.name,
            "revision": found.revision,
            "report": made.path,
            "complete": all(item.state != "missing" for item in story.items),
            "record": [item_data(item, found.study) for item in story.items],
            "figures": story.repeat,
            "others": story.others,
        },
        (
            f"Why {found.name}, revision {found.revision}, was chosen is in {made.path}.",
            record_sentence(story.items),
            repeat_sentence(story.repeat),
        ),
        (f"open {made.path} in a browser", f"doe recipe history {quoted(found.name)}"),
    )
