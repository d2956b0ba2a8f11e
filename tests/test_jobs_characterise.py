"""Characterising a process from Python: typed calls that write nothing."""

import pytest
from test_coupon_commands import BASE_TEXT, csv
from test_coupon_fit import MACHINE_A

from wallguard.base.errors import InputError
from wallguard.jobs.characterise import drift, fit, make_coupon, next_steps
from wallguard.rules.load import load_rules


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "base.yaml").write_text(BASE_TEXT)
    (tmp_path / "a.csv").write_text(csv(MACHINE_A))
    return tmp_path


def test_a_coupon_is_made_of_files_and_says_where_everything_is(folder):
    coupon = make_coupon(folder / "base.yaml", steps=[0.9, 1.35], features={"wall"})
    assert {feature.nominal for feature in coupon.plan.features} == {0.9, 1.35}
    assert sorted(coupon.files()) == ["plate-1.3mf", "plate-1.stl", "readings.csv"]
    (plate,) = coupon.manifest()["plates"]
    assert [one["nominal"] for one in plate["features"]] == [0.9, 1.35, 0.9, 1.35]
    # From rules that are loaded it is the same.
    rules = load_rules(folder / "base.yaml")
    assert make_coupon(rules, steps=[0.9, 1.35], features={"wall"}).plates == coupon.plates


def test_a_fit_gives_the_rules_and_their_text_and_writes_nothing(folder):
    before = sorted(folder.iterdir())
    found = fit([folder / "a.csv"], folder / "base.yaml", shown="new.yaml")
    assert found.fit.found is not None and found.rules.bands == found.fit.bands
    assert found.rules.path == "new.yaml"
    assert set(found.inputs) == set(before)
    assert sorted(folder.iterdir()) == before
    (folder / "new.yaml").write_text(found.text)
    assert load_rules(folder / "new.yaml").bands == found.rules.bands
    assert [step.thickness for step in next_steps(folder / "new.yaml", 1)][:2] == [0.5, 1.25]
    assert not drift(folder / "new.yaml", [folder / "a.csv"]).drifted


def test_a_fit_needs_readings(folder):
    with pytest.raises(InputError, match="no file of readings is given"):
        fit([], folder / "base.yaml")
