"""The guide is true: its commands run in order on an invented cohort, its Python runs, its files are there."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import mineralize.cohort.fit
import mineralize.cohort.whole
from mineralize.cli import main
from phantoms import cohorts

pytest.importorskip("numpyro")
pytestmark = pytest.mark.slow

GUIDE = Path(mineralize.cohort.whole.__file__).with_name("README.md").read_text(encoding="utf-8")


FITS: dict[str, Any] = {}


def fitted_once(lesions: Any, **options: Any) -> Any:
    """The same lesions by the same options give the same fit (`test_fit`); three acts of the guide ask for it."""
    asked = {"family": "logistic", "seed": 0} | {k: v for k, v in options.items() if k != "on_step"}
    key = repr((lesions, sorted(asked.items())))
    if key not in FITS:
        FITS[key] = mineralize.cohort.fit.fit_cohort(lesions, **options)
    return FITS[key]


def test_every_command_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(mineralize.cohort.whole, "PLAN_REPEATS", 1)
    for home in (mineralize.cohort, mineralize.cohort.whole):
        monkeypatch.setattr(home, "fit_cohort", fitted_once)
    table, about = cohorts.write(cohorts.make(replace(cohorts.KINDS["ordinary"], lesions=12), 3), tmp_path / "results")
    about.rename(tmp_path / "about.csv")
    lines = [line for block in re.findall(r"```console\n(.*?)```", GUIDE, re.DOTALL) for line in block.splitlines()]
    assert len(lines) == 4
    said = {}
    for line in lines:
        words = shlex.split(line)
        assert words[0] == "mineralize"
        assert main(words[1:]) == 0, line
        said[line] = capsys.readouterr().out
    points, curve, laid, plan = said.values()
    assert len(points.splitlines()) == len(table.read_text().splitlines())
    assert "half-rise day" in curve
    assert "percentile" in laid
    assert re.search(r"^ +30 +[0-9.]+ days", plan, re.MULTILINE)
    named = set(re.findall(r"`(curve\.html|curve\.svg|curve\.png|methods\.txt|curve\.json)`", GUIDE))
    assert named == {p.name for p in (tmp_path / "curve").iterdir() if not p.name.startswith(".")}
    page = (tmp_path / "curve" / "curve.html").read_text(encoding="utf-8")
    assert not re.search(r"(src|href)\s*=\s*[\"'](?!#)", page.replace("xlink:href", "href")), (
        "the page needs the network"
    )
    for script in re.findall(r"```python\n(.*?)```", GUIDE, re.DOTALL):
        exec(compile(script, "guide", "exec"), {})


def test_points_refuse_what_they_do_not_do(capsys: Any) -> None:
    assert main(["curve", "t.csv", "--points", "--out", "x"]) == 2
    assert main(["curve", "t.csv", "--plan", "n=3"]) == 2
    assert "--plan takes" in capsys.readouterr().err
