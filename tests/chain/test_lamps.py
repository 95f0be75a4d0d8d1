"""Lamps named and marked with the real service, the mock camera and its studio; balanced and matched from the marks."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from mocking import run_now, tethered
from watching import overtagged_dng, run, run_here, watching

LAMPS = ("key", "fill", "rim")


def say(folder: Path, *words: str) -> Any:
    done = run_here(*words[:1], str(folder), *words[1:], "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.slow
def test_lamps_are_marked_balanced_and_matched(folder: Path) -> None:
    with tethered(folder) as (mock, service):

        def shoot(f_number: float, **stops: str) -> int:
            for lamp in LAMPS:
                mock.do(f"lamp {lamp} {stops.get(lamp, 'off')}")
            mock.do("lamp back off")
            before = len(service.frames)
            assert service.ask("aperture", f_number=f_number)["ok"]
            assert service.ask("fire")["ok"]
            service.until(lambda: len(service.frames) > before)
            return int(service.frames[-1]["frame"])

        for f_number in (11.0, 5.6):
            shoot(f_number, key="0", fill="0", rim="0")
        for lamp in LAMPS:
            number = shoot(5.6, **{lamp: "0"})
            assert say(folder, "lamp", lamp, "--frame", "newest")["text"].startswith(
                f"Frame {number} shows {lamp} alone"
            )
        say(folder, "lamp", "none", "--frame", str(shoot(5.6)))
        say(folder, "lamp", "all", "--frame", str(shoot(5.6, key="0", fill="0", rim="0")))
        said = say(folder, "lamp", "key", "--kind", "tungsten", "--watts", "650", "--distance", "1.5", "--circuit", "A")
        assert "650 W" in said["text"]
        shoot(5.6, fill="0")
        told = [notice["text"] for notice in service.frames[-1]["notices"] if notice["kind"] == "lamp"]
        assert told == ["This looks like fill alone: l in the panel marks it."]
        shoot(5.6, key="-1", fill="0", rim="0")
        assert not any(notice["kind"] == "lamp" for notice in service.frames[-1]["notices"])
        shown = run("balance", "--folder", str(folder), "--want", "ratio=2:1", "--panel")
        assert shown.returncode == 0, shown.stderr
        service.until(lambda: service.of_kind("mix"))
        mix = service.of_kind("mix")[-1]
        assert mix["preview"]["width"] == 128
        assert "key" in mix["text"] or "fill" in mix["text"] or "rim" in mix["text"]
    balanced = run("balance", "--folder", str(folder), "--want", "ratio=2:1", "--json")
    assert balanced.returncode == 0, balanced.stderr
    told = json.loads(balanced.stdout)
    assert [lamp["name"] for lamp in told["lamps"]] == list(LAMPS)
    assert told["additivity"]["median_stops"] < 0.15
    page = json.loads(run("report", str(folder), "--json").stdout)["setups"][0]["shares"]
    for key in ("subject", "backdrop"):
        assert [lamp[key] for lamp in page["lamps"]] == pytest.approx(
            [lamp[f"{key}_share"] for lamp in told["lamps"]], abs=0.01
        )
    assert "What each lamp gives" in (folder / "report.html").read_text("utf-8")
    matched = run("match", "--folder", str(folder), "--json")
    assert matched.returncode == 0, matched.stderr
    found = json.loads(matched.stdout)
    assert found["first"] == "key", found
    assert {lamp["name"]: lamp["off_stops"] for lamp in found["lamps"]} == {
        "key": pytest.approx(-1, abs=0.15), "fill": pytest.approx(0, abs=0.15), "rim": pytest.approx(0, abs=0.15)
    }  # fmt: skip


def test_lamps_and_circuits_without_a_service(folder: Path) -> None:
    with watching(folder):
        pass
    say(folder, "lamp", "key", "--kind", "tungsten", "--watts", "1000", "--circuit", "A", "--distance", "1.2")
    say(folder, "lamp", "fill", "--kind", "tungsten", "--watts", "1000", "--circuit", "A", "--size", "0.9")
    say(folder, "lamp", "--circuit", "A", "--rating", "120V,15A,20m,1.5mm2")
    told = run("lamp", str(folder), "--depth", "0.3", "--backdrop", "2", "--reflector", "0.5", "0.8").stdout
    assert "more than it is rated for" in told
    assert "licensed electrician" in told
    assert "Uncoil" in told
    assert "A matt white reflector of 0.5 m2" in told
    assert "From front to back of the subject (30 cm)" in told
    assert [lamp["name"] for lamp in say(folder, "lamp")["lamps"]] == ["key", "fill"]
    say(folder, "slate", "second")
    say(folder, "lamp", "--remove", "fill")
    assert [lamp["name"] for lamp in say(folder, "lamp")["lamps"]] == ["key"]
    for wrong in (("lamp", "--remove", "fill"), ("lamp", "key", "--frame", "7"), ("lamp", "x", "--kind", "candle")):
        done = run_here(*wrong[:1], str(folder), *wrong[1:])
        assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    for words in (("balance", "--folder", str(folder)), ("match", "--folder", str(folder))):
        done = run(*words)
        assert done.returncode == 1
        assert "marked" in done.stderr
    assert run("match").returncode == 2


@pytest.mark.parametrize("order", [(22.0, 8.0), (8.0, 22.0)])
def test_raw_frames_held_against_each_other_go_by_one_white(tmp_path: Path, order: tuple[float, float]) -> None:
    """One light at two apertures, white tagged 8 % too high: only the brighter frame shows it, and nothing came in."""
    files = [tmp_path / f"{number}.dng" for number in (1, 2)]
    for file, f_number in zip(files, order, strict=True):
        file.write_bytes(overtagged_dng(f_number))
    done = run("effect", *map(str, files), "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [told["left"], told["right"]] == pytest.approx([0, 0], abs=0.02)


@pytest.mark.slow
def test_a_run_over_lamps_sees_each_switch_thrown_where_the_camera_shows_it(folder: Path) -> None:
    with tethered(folder) as (mock, service):

        def light(*on: str) -> None:
            for lamp in (*LAMPS, "back"):
                mock.do(f"lamp {lamp} {'0' if lamp in on else 'off'}")

        light(*LAMPS)
        assert service.ask("aperture", f_number=5.6)["ok"]
        assert service.ask("bracket", lamps=["key", "rim"])["ok"]
        for what, on in (("key", ("key",)), ("rim", ("rim",)), ("none", ()), ("all", LAMPS)):
            service.until(lambda what=what: run_now(service)["prompt"] == what, 60)  # type: ignore[misc]
            shot = len(service.frames)
            time.sleep(2.5)
            assert len(service.frames) == shot, "nothing was switched yet"
            light(*on)
        service.until(lambda: run_now(service)["state"] == "ended", 60)
        end = run_now(service)
        assert end["end"] == "shot", end
        assert len(end["taken"]) == len(service.frames)
    done = run("balance", "--folder", str(folder), "--json")
    assert done.returncode == 0, done.stderr
    assert [lamp["name"] for lamp in json.loads(done.stdout)["lamps"]] == ["key", "rim"]


@pytest.mark.slow
def test_a_run_over_lamps_prompts_for_each_and_marks_it(folder: Path) -> None:
    with tethered(folder, options=("--no-view",)) as (mock, service):

        def light(*on: str) -> None:
            for lamp in (*LAMPS, "back"):
                mock.do(f"lamp {lamp} {'0' if lamp in on else 'off'}")

        def prompts() -> list[str]:
            return [e["run"]["prompt"] for e in service.of_kind("run") if e["run"].get("prompt")]

        light(*LAMPS)
        assert not service.ask("switched")["ok"]
        assert not service.ask("bracket", lamps=["key", "key"])["ok"]
        assert service.ask("lamp", name="card", kind="flag")["ok"]
        assert "gives no light alone" in service.ask("bracket", lamps=["key", "card"])["text"]
        assert service.ask("bracket", lamps=["key", "fill"])["ok"]
        service.until(lambda: prompts() == ["key"])
        light("key")
        assert service.ask("switched")["ok"]
        service.until(lambda: prompts() == ["key", "fill"], 60)
        assert service.ask("switched")["ok"], "said, but not done"
        service.until(lambda: prompts() == ["key", "fill", "fill"], 60)
        assert "as it was before" in run_now(service)["text"]
        for what, on in (("fill", ("fill",)), ("none", ()), ("all", LAMPS)):
            service.until(lambda what=what: prompts()[-1] == what, 60)  # type: ignore[misc]
            light(*on)
            assert service.ask("switched")["ok"]
        service.until(lambda: run_now(service)["state"] == "ended", 60)
        end = run_now(service)
        assert end["end"] == "shot", end
    done = run("balance", "--folder", str(folder), "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [lamp["name"] for lamp in told["lamps"]] == ["key", "fill"]
