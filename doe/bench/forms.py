"""What was typed into the score form, read into a score entry with every problem at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from doe.bench.web import Visit
from doe.domain.entry import check_people
from doe.domain.errors import InputError, InputErrors
from doe.domain.said import read_check, read_symptoms, said_hand
from doe.domain.score import ScoreEntry, entry_problems
from doe.domain.study import Study
from doe.domain.units import Shown, parse_quantity
from doe.symptoms.reading import WORDS

PASS, FAIL = "pass", "fail"
CHECK, ACTUAL = "check:", "actual:"
OTHER_PERSON = "other_person"


@dataclass(frozen=True)
class Typed:
    """The fields of the form as they were sent, for reading and for showing them again."""

    checks: dict[str, str]
    symptoms: tuple[str, ...]
    hand: str
    person: str
    other_person: str
    actual: dict[str, str]
    note: str
    void: str

    @classmethod
    def of(cls, visit: Visit, study: Study) -> Typed:
        """What this visit sent; fields the study does not have are not looked at."""
        return cls(
            {c.name: visit.text(CHECK + c.name) for c in study.spec.checks},
            tuple(dict.fromkeys(visit.texts("symptom"))),
            visit.text("hand"),
            visit.text("person"),
            visit.text(OTHER_PERSON),
            {f.name: visit.text(ACTUAL + f.name) for f in study.numeric},
            visit.text("note").replace("\r\n", "\n"),
            visit.text("void"),
        )

    def entry(self, coupon: str, study: Study, shown: Shown, *, who: str, known: Sequence[str]) -> ScoreEntry:
        """The score entry; the person who felt the coupon is ``who`` unless another one was named.

        Raises
        ------
        InputErrors
            Naming everything that cannot be read.
        """
        problems: list[InputError] = []
        checks: dict[str, bool] = {}
        for name, word in self.checks.items():
            try:
                found = read_check(word, name)
            except InputError as error:
                problems.append(error)
            else:
                checks |= {} if found is None else {name: found}
        symptoms: list[str] = []
        for word in self.symptoms:
            try:
                symptoms += read_symptoms(word, WORDS.labels, "symptom")
            except InputError as error:
                problems.append(error)
        person = spelled(self.other_person or self.person or who, known)
        hand: dict[str, float] = {}
        actual: dict[str, float] = {}
        try:
            if self.hand:
                check_people([person])
                hand[person] = said_hand(self.hand, "hand-feel")
        except InputError as error:
            problems.append(error)
        for f in study.numeric:
            if self.actual[f.name]:
                try:
                    unit = shown.unit(f.unit)
                    actual[f.name] = parse_quantity(self.actual[f.name], f.unit, f"measured {f.label}", default=unit)
                except InputError as error:
                    problems.append(error)
        if problems:
            raise InputErrors(problems)
        entry = ScoreEntry(
            coupon,
            checks=checks,
            symptoms=tuple(symptoms),
            side=WORDS.side_of(symptoms),
            hand=hand,
            actual=actual,
            note=self.note,
            void_reason=self.void or None,
        )
        problems = entry_problems(entry, study)
        if problems:
            raise InputErrors(problems)
        if self.void:  # a spoiled coupon has no scores
            return ScoreEntry(coupon, void_reason=self.void)
        if not any(True for _ in entry.fields()):
            raise InputError("form", "nothing chosen", "a check, a symptom, the hand, a note or void", "Choose first.")
        return entry


def spelled(name: str, known: Sequence[str]) -> str:
    """A person's name as it is written already, in any case.

    >>> spelled(" ANA ", ["Ana", "Ben"]), spelled("Cleo", ["Ana"])
    ('Ana', 'Cleo')
    """
    words = " ".join(name.split())
    return next((other for other in known if other.casefold() == words.casefold()), words)
