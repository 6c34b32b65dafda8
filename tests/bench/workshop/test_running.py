"""Seasons are played once, kept as CSV, and printed from there."""

import pytest

from tests.bench.workshop import running
from tests.bench.workshop.__main__ import main
from tests.bench.workshop.outcomes import COLUMNS, of, read, settings_in, write
from tests.bench.workshop.season import play
from tests.bench.workshop.settings import ORDINARY, SENSITIVITY, setting


@pytest.fixture
def by_hand(monkeypatch):
    """Play in this process, habit's season in place of everybody's, and count."""
    played = []

    def played_here(tasks):
        for one, seed, maker in tasks:
            played.append((one, seed, maker))
            yield {**play(one.kind, seed, "habit", hours=30), **one.columns, "maker": maker}

    monkeypatch.setattr(running, "_played", played_here)
    return played


def test_what_is_kept_is_not_played_again(tmp_path, by_hand):
    file = tmp_path / "race.csv"
    first = running.run([ORDINARY], [1, 2], ["oracle", "habit"], file)
    assert len(first) == len(by_hand) == 4
    more = running.run([ORDINARY, setting(batch=12)], [1, 2], ["habit"], file)
    assert by_hand[4:] == [(setting(batch=12), 1, "habit"), (setting(batch=12), 2, "habit")]
    assert len(more) == 6


def test_seasons_that_were_played_are_kept_when_one_fails(tmp_path, monkeypatch):
    def failing(tasks):
        yield {**play("ordinary", 1, "habit", hours=30), **ORDINARY.columns}
        raise RuntimeError("This season fails.")

    monkeypatch.setattr(running, "_played", failing)
    with pytest.raises(RuntimeError, match="This season fails"):
        running.run([ORDINARY], [1, 2], ["habit"], tmp_path / "race.csv")
    assert read(tmp_path / "race.csv")["seed"].tolist() == [1]


def test_a_file_says_that_it_is_invented_and_is_the_same_in_any_order(tmp_path, by_hand):
    one, other = tmp_path / "one.csv", tmp_path / "other.csv"
    running.run([ORDINARY, setting("easy")], [2, 1], ["oracle", "habit"], one)
    kept = read(one)
    write(kept.sample(frac=1, random_state=1), other)
    assert one.read_bytes() == other.read_bytes()
    assert one.read_text(encoding="utf-8").startswith("# Invented: no reed of this file was made.")
    assert kept["maker"].tolist()[:2] == ["habit", "oracle"]
    assert settings_in(kept) == [setting("easy"), ORDINARY]
    assert len(of(kept, ORDINARY)) == 4


def test_another_file_is_told(tmp_path):
    (tmp_path / "other.csv").write_text("reed_id,fate\nR1,kept\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"has no column kind, tube_share.*holds no outcomes"):
        read(tmp_path / "other.csv")


def test_the_command_plays_keeps_and_prints(tmp_path, capsys, by_hand):
    file = str(tmp_path / "race.csv")
    main(["--worlds", "2", "--kind", "easy", "--makers", "habit", "oracle", "--keep", file])
    told = capsys.readouterr().out
    assert told.startswith("easy worlds: 2 worlds")
    main(["--from", file])
    assert capsys.readouterr().out == told


def test_the_sensitivity_changes_one_thing_at_a_time(capsys, by_hand):
    main(["--worlds", "1", "--sensitivity"])
    settings = {one for one, *_ in by_hand}
    assert settings == {one for _, one in SENSITIVITY}
    assert len(settings) == 7
    assert len(by_hand) == 7 * 5
    told = capsys.readouterr().out
    assert "batch of 48" in told
    assert "tubes' share 0.1" in told


def test_a_season_is_played_as_it_is_set():
    seasons = [running._season((one, 1, "habit")) for one in (ORDINARY, setting("hopeless"))]
    assert [season["kind"] for season in seasons] == ["ordinary", "hopeless"]
    assert set(COLUMNS) <= set(seasons[0])
    assert seasons[0]["batch"] == 24
