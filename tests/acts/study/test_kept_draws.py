"""Draws kept in the cache folder: the very same ones, found again, and done without where anything is wrong."""

from __future__ import annotations

import os
from dataclasses import fields, replace

import numpy as np
import pytest

from doe.acts.study import kept_draws as cache
from doe.acts.study.kept_draws import kept_draws
from doe.setpoint.averaged import average_with_mechanisms
from doe.setpoint.recommendation import recommend
from doe.surfaces.contract import sampled
from doe.surfaces.fitted import fit

FEW = 60


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = tmp_path / "draws"
    monkeypatch.setattr(cache, "draws_folder", lambda: place)
    return place


@pytest.fixture
def model(study, coupons):
    return fit(study, coupons, particles=FEW).model


def refuse(*given):
    raise AssertionError("draws were taken anew")


def same(one, other):
    return all(np.array_equal(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))


def test_draws_are_the_very_same_whether_taken_or_found(folder, model, monkeypatch):
    taken = kept_draws(model, 3, FEW)
    assert same(taken, sampled(model, 3, FEW))
    monkeypatch.setattr(cache, "sampled", refuse)
    told = []
    assert same(kept_draws(model, 3, FEW, told.append), taken)
    assert told == [1.0]


def test_another_seed_number_or_coupon_is_another_fit(folder, model, study, coupons, monkeypatch):
    kept_draws(model, 3, FEW)
    monkeypatch.setattr(cache, "sampled", refuse)
    turned = coupons.assign(passed=coupons["passed"].where(coupons.index != coupons.index[4], ~coupons["passed"]))
    others = [(model, 4, FEW), (model, [3], FEW), (model, 3, FEW + 1), (fit(study, turned, particles=20).model, 3, FEW)]
    for other in others:
        with pytest.raises(AssertionError, match="anew"):
            kept_draws(*other)


def test_another_program_takes_its_own(folder, model, monkeypatch):
    kept_draws(model, 3, FEW)
    monkeypatch.setattr(cache, "_made_by", lambda: ("another version",))
    monkeypatch.setattr(cache, "sampled", refuse)
    with pytest.raises(AssertionError, match="anew"):
        kept_draws(model, 3, FEW)


@pytest.mark.parametrize("damage", ["cut", "empty", "noise", "other", "not finite", "a folder"])
def test_a_damaged_file_is_done_without_and_mended(folder, model, damage):
    taken = kept_draws(model, 3, FEW)
    (file,) = folder.iterdir()
    whole = file.read_bytes()
    if damage == "a folder":
        file.unlink()
        file.mkdir()
    elif damage in ("other", "not finite"):
        draws = taken.draws[:, :-1] if damage == "other" else taken.draws * np.nan
        with file.open("wb") as out:
            np.savez(out, draws=draws, log_likelihood=taken.log_likelihood, figures=np.array([1.0, 2.0, 0.5]))
    else:
        file.write_bytes({"cut": whole[:-40], "empty": b"", "noise": whole[:200] + b"?" * 90 + whole[290:]}[damage])
    assert same(kept_draws(model, 3, FEW), taken)
    if damage != "a folder":
        assert same(cache._read(file, FEW, model.parameters), taken)
    assert [f.name for f in folder.iterdir() if f.suffix == ".part"] == []


def test_a_cache_that_cannot_be_written_is_done_without(folder, model):
    folder.write_text("a file where the folder should be")
    assert same(kept_draws(model, 3, FEW), sampled(model, 3, FEW))


def test_the_oldest_go_first(folder, model, monkeypatch):
    monkeypatch.setattr(cache, "MOST_FITS", 2)
    for seed in (1, 2):
        kept_draws(model, seed, FEW)
    old = cache._place(model, 1, FEW)
    os.utime(old, (1, 1))
    kept_draws(model, 3, FEW)
    assert sorted(folder.iterdir()) == sorted(cache._place(model, seed, FEW) for seed in (2, 3))


def test_what_the_mechanisms_say_is_found_again_too(folder, study, coupons, monkeypatch):
    taken = fit(study, coupons, particles=FEW, sampling=kept_draws)
    answer = recommend(study, taken)
    said = average_with_mechanisms(study, taken, answer)
    assert said == average_with_mechanisms(study, replace(taken, sampling=sampled), answer)
    monkeypatch.setattr(cache, "sampled", refuse)
    found = fit(study, coupons, particles=FEW, sampling=kept_draws)
    assert np.array_equal(found.xi, taken.xi)
    assert average_with_mechanisms(study, found, answer) == said
