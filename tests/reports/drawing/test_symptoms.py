from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from doe.domain.errors import InputError
from doe.symptoms.catalogue import CATALOGUE
from reports.drawing.symptoms import SIZE, symptom_svg

KEYS = ("", *(s.key for s in CATALOGUE))


@pytest.mark.parametrize("found", CATALOGUE, ids=lambda s: s.key)
def test_a_drawing_is_well_formed_and_bare_of_ids_and_classes(found):
    ET.fromstring(symptom_svg(found.key))
    assert not re.search(r'class="[a-z]"', symptom_svg(found.key))  # every look is written out
    assert " id=" not in symptom_svg(found.key)  # may stand on a page any number of times


def test_a_drawing_beside_its_name_is_not_read_out_twice():
    svg = symptom_svg("film_lock")
    assert 'aria-hidden="true"' in svg
    assert "film lock" not in svg


def test_an_unknown_symptom_is_refused_with_close_names():
    with pytest.raises(InputError, match="film_lock"):
        symptom_svg("filmlock")


@pytest.mark.browser
def test_any_two_drawings_differ_in_black_and_white_at_the_size_of_a_label(browser):
    from PIL import Image

    page = browser.new_page(viewport={"width": SIZE, "height": SIZE * len(KEYS)})
    page.set_content(
        "<style>body{margin:0}svg{display:block}</style>" + "".join(map(symptom_svg, KEYS)), wait_until="load"
    )
    grey = np.array(Image.open(io.BytesIO(page.screenshot())).convert("L"))
    page.close()
    # as a laser printer would: black or white, nothing between
    seen = (grey < 128).reshape(len(KEYS), SIZE, SIZE)
    assert seen.mean(axis=(1, 2)).min() > 0.05
    for i, key in enumerate(KEYS):
        for j in range(i):
            differing = float((seen[i] ^ seen[j]).mean())
            # a drawing moved or slightly changed would differ by less; the closest pair wants a second look
            assert differing > 0.03, (key, KEYS[j], differing)
