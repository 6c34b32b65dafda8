"""Faulty records and wrong calls: a right answer or one clear sentence, never a traceback."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_ind

from reedlab.analyse import (
    collinearity,
    drivers,
    influence,
    keep_rate,
    residuals,
    season,
    sources,
)
from reedlab.errors import CallError, ModelError, RecordError, ReedlabError
from reedlab.plan import design_batch
from reedlab.schema import Factor, Response
from reedlab.study import new_study, open_study
from tests.analyse.build import CROW, KEPT, SHAPE, batch, flat_study, two_sessions
from tests.analyse.commands import season as run


def test_orphans_are_left_out_and_named(study):
    made = study(two_sessions(), responses=[Response("crow")])
    file = made.folder / "tests.csv"
    file.write_text(file.read_text("utf-8-sig").replace("R024,", "R042,"), "utf-8")
    found = drivers(open_study(made.folder), "crow")
    assert found.left_out["fault"].tolist() == ["reed_id R042 is not in reeds.csv"] * 2
    assert found.left_out["row"].tolist() == [25, 49]
    assert found.rows_used == 46
    assert any(
        text.startswith("crow: 2 of 48 rows left out: 2 × reed_id R042") for text in found.cautions
    )


def test_rows_that_stand_twice_are_refused_with_their_rows(study):
    made = study(batch().assign(fate="kept"), responses=[CROW, KEPT])
    file = made.folder / "reeds.csv"
    text = file.read_text("utf-8-sig")
    file.write_text(text + text.splitlines()[3] + "\n", "utf-8")
    twice = open_study(made.folder)
    for ask in (
        lambda: drivers(twice, "crow"),
        lambda: sources(twice, "crow"),
        lambda: keep_rate(twice),
        lambda: season(twice),
    ):
        with pytest.raises(RecordError, match=r"reeds.csv, rows 4, 26: the same reed_id R003"):
            ask()


def test_impossible_values_are_set_aside_and_named(study):
    rows = two_sessions().rename(columns={"crow": "crow_cents", "humidity": "humid"})
    rows = rows.assign(relative_humidity_pct=40.0)
    rows.loc[[3, 30], "crow_cents"] = 9999.0
    found = drivers(study(rows, responses=[Response("crow_cents", unit="cents")]), "crow_cents")
    named = [text for text in found.cautions if text.startswith("Set aside: tests.csv row")]
    assert len(named) == 2
    assert named[0].startswith("Set aside: tests.csv row 5, crow_cents '9999.0': ")
    assert found.rows_used == 46
    assert found.left_out["row"].tolist() == [5, 32]
    assert found.table["estimate"].abs().max() < 100


def test_a_wrong_name_lists_the_nearest(study):
    made = study(batch())
    with pytest.raises(CallError, match=r"no factor 'gauge'\. Nearest: gouge\. Present: gouge"):
        drivers(made, "crow", ["gauge"])
    with pytest.raises(CallError, match=r"no response 'crown'\. Nearest: crow\. Present: crow\."):
        drivers(made, "crown")


def test_factors_are_a_list_and_none_counts_twice(study):
    made = study(batch())
    with pytest.raises(CallError, match=r'factors is a list of names: write \["gouge"\]\.'):
        drivers(made, "crow", "gouge")
    with pytest.raises(ModelError, match=r"No factor can be examined.\nNone is asked for"):
        drivers(made, "crow", [])
    twice = drivers(made, "crow", ["gouge", "gouge"]).table
    pd.testing.assert_frame_equal(twice, drivers(made, "crow", ["gouge"]).table)


def test_a_time_is_refused_in_every_question(study):
    made = study(batch(), responses=[Response("crow", "time", table="reeds")])
    for ask in (drivers, sources, influence, residuals, collinearity):
        with pytest.raises(CallError, match="'crow' is a time until something happens"):
            ask(made, "crow")


def test_no_fate_at_all_and_none_decided(study):
    with pytest.raises(CallError, match="No reed's fate is recorded: the table reeds needs"):
        keep_rate(study(batch()))
    undecided = study(batch().assign(fate="unfinished"), responses=[KEPT], name="undecided")
    with pytest.raises(ModelError, match="No reed is kept or discarded yet"):
        keep_rate(undecided)
    with pytest.raises(ModelError, match=r"kept: no row of reeds.csv can be used \(24 × kept not"):
        drivers(undecided, "kept")


def test_all_kept_has_a_rate_and_no_drivers(study):
    made = study(batch().assign(fate="kept"), responses=[KEPT])
    row = keep_rate(made).table.iloc[0]
    assert (row["share"], row["conf_high"]) == (1, 1)
    # Wilson (1927) at n of n: n / (n + z^2).
    assert row["conf_low"] == pytest.approx(24 / (24 + 1.959964**2), rel=1e-6)
    for ask in (drivers, sources):
        with pytest.raises(ModelError, match="'kept' is the same"):
            ask(made, "kept")


def test_reeds_only_and_no_tubes_is_an_ordinary_comparison(study):
    rows = batch().drop(columns=["tube_id", "gouge"])
    found = drivers(study(rows, [SHAPE]), "crow")
    groups = [rows.loc[rows["shape"] == level, "crow"] for level in ("wide", "narrow")]
    assert found.table["p_value"].iloc[0] == pytest.approx(ttest_ind(*groups).pvalue, rel=1e-9)
    assert found.table["n_tubes"].tolist() == [0]
    assert found.sentence.endswith("observed, 24 reeds).")
    with pytest.raises(ModelError, match="No tube is recorded in these rows"):
        influence(study(rows, [SHAPE], name="again"), "crow")


def test_numbers_of_a_category_are_names(study):
    rows = batch().assign(press=np.resize([10, 20, 30], 24))
    press = Factor("press", kind="categorical", levels=(10, 20, 30))
    found = drivers(study(rows, [press]), "crow")
    assert found.table["contrast"].tolist() == ["20 - 10", "30 - 10"]
    assert found.table["num_df"].tolist() == [2, 2]


def test_a_column_of_one_name_in_two_tables_is_refused(study):
    rows = two_sessions()
    tip = Factor("tip", kind="numeric")
    made = study(rows.assign(tip=1.0), [SHAPE, tip], [Response("tip"), Response("crow")])
    assert drivers(made, "crow").cautions  # no clash where the column is not needed twice
    with pytest.raises(CallError, match="'tip' of the table reeds has the same name as a column"):
        drivers(made, "tip", ["tip"])


def test_a_yes_or_no_of_tests_does_not_count_the_tests_of_a_reed_as_reeds(study):
    """Every reed gives one verdict ten times over: the shape's p value is that of 24 reeds."""
    once = batch().assign(clicks=np.resize([True, False, False, True, True], 24))
    parts = [
        once.assign(session_id=f"S{number}", player_id=f"P{number}", trial=1)
        for number in range(10)
    ]
    rows = pd.concat(parts, ignore_index=True)
    # One test differs, so that the variances can be told apart.
    rows.loc[[0, 30, 100, 200], "clicks"] = [False, True, False, True]
    found = drivers(study(rows, [SHAPE], [Response("clicks", "binary")]), "clicks")
    row = found.table.iloc[0]
    assert row["den_df"] < 24
    assert row["n_units"] == 24
    means = rows.groupby(["reed_id", "tube_id", "shape"], as_index=False)["clicks"].mean()
    groups = [means.loc[means["shape"] == level, "clicks"] for level in ("wide", "narrow")]
    assert row["p_value"] == pytest.approx(ttest_ind(*groups).pvalue, abs=0.05)


def test_strange_records_get_an_answer_with_sound_numbers_or_one_sentence(tmp_path):
    """Forty records thrown together at random: no traceback, no number out of its bounds."""
    answered = 0
    for seed in range(40):
        made, response = thrown_together(np.random.default_rng(seed), tmp_path / str(seed))
        try:
            table = drivers(made, response).table
        except ReedlabError:
            continue
        answered += 1
        bounded = table[["p_value", "p_adjusted", "share"]].to_numpy()
        assert ((bounded >= 0) & (bounded <= 1)).all(), table.to_string()
        limits = table[["conf_low", "estimate", "conf_high"]].to_numpy()
        assert np.isfinite(limits).all(), table.to_string()
        assert (np.diff(limits, axis=1) >= 0).all(), table.to_string()
        assert ((table["n_units"] > 1) & (table["n_units"] <= len(made.tables["reeds"]))).all()
    assert answered >= 15


def thrown_together(rng, folder):
    tubes = int(rng.integers(1, 9))
    lots = int(rng.integers(1, 5))
    tube = np.repeat(np.arange(tubes), rng.integers(1, 5, tubes))
    lot = rng.integers(0, lots, tubes)[tube]
    n = len(tube)
    rows = pd.DataFrame({"reed_id": [f"R{i}" for i in range(n)]})
    rows["tube_id"], rows["lot_id"] = [f"T{t}" for t in tube], [f"L{i}" for i in lot]
    factors = []
    for k in range(int(rng.integers(1, 5))):
        stratum = rng.choice(["lot", "tube", "reed"])
        unit = {"lot": lot, "tube": tube, "reed": np.arange(n)}[stratum]
        values = rng.integers(0, int(rng.integers(2, 5)), unit.max() + 1)[unit]
        numeric = rng.random() < 0.5
        rows[f"f{k}"] = values.astype(float) if numeric else [f"level {v}" for v in values]
        kind = "numeric" if numeric else "categorical"
        factors.append(Factor(f"f{k}", stratum=str(stratum), kind=kind))
    rows["crow"] = np.round(rng.normal(0, 1, n) + rng.normal(0, 1, tubes)[tube], 2)
    rows["fate"] = np.where(rng.random(n) < 0.3, "kept", "discarded")
    made = flat_study(folder, rows, factors, [CROW, KEPT])
    return made, str(rng.choice(["crow", "kept"]))


def test_an_empty_new_study_says_that_nothing_is_recorded(tmp_path, capsys):
    made = new_study(tmp_path / "new")
    with pytest.raises(CallError, match="No response is recorded yet, neither of crow against"):
        season(made)
    with pytest.raises(ModelError, match=r"no row of tests.csv can be used: it has none\."):
        drivers(made, "crow_cents")
    assert run(made.folder) == 2
    told = capsys.readouterr()
    assert told.err.startswith("No response is recorded yet")
    assert told.out == ""


def test_the_command_says_what_a_record_cannot_answer(study, capsys):
    rows = batch().assign(gouge=1.25, fate="kept", empty=np.nan)
    made = study(
        rows, responses=[CROW, KEPT, Response("empty", table="reeds", label="the unmeasured")]
    )
    assert run(made.folder) == 0
    told = capsys.readouterr().out
    assert "What this record cannot answer\n  not recorded yet: the unmeasured.\n" in told
    assert "  drivers of kept: The response 'kept' is the same (1) in all 24 rows" in told
    assert "  gouge: one level only (1.25); there is nothing to compare." in told
    assert "24 of 24 decided reeds kept: 100 % (95 % 86 % to 100 %)" in told


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--response", "crown"], "There is no response 'crown'. Nearest: crow."),
        (["--response", "age"], "'age' is a time until something happens"),
    ],
)
def test_the_command_refuses_with_a_message_and_exit_code_2(study, capsys, arguments, message):
    rows = batch().assign(age=5.0)
    made = study(rows, responses=[CROW, Response("age", "time", table="reeds")])
    assert run(made.folder, *arguments) == 2
    told = capsys.readouterr()
    assert message in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


def test_the_command_without_reasons_lost(study, capsys):
    made = study(batch().assign(gouge=1.25, shape="wide"))
    assert run(made.folder) == 0
    told = capsys.readouterr().out
    assert (
        "drivers of crow: No factor can be examined. gouge: one level only (1.25); there is "
        "nothing to compare. shape: one level only (wide); there is nothing to compare." in told
    )


def test_a_sealed_batch_is_named_where_its_reeds_do_not_count(tmp_path):
    study = flat_study(tmp_path / "study", batch(), [SHAPE], [CROW])
    tubes = pd.DataFrame({"tube_id": study.tables["tubes"]["tube_id"], "pieces": 4})
    study = design_batch([SHAPE], tubes, 8, seed=1).write(study)
    caution = "Batch B1 is sealed: its reeds count once its key is opened (study.unblind('B1'))."
    assert caution in drivers(study, "crow", ["shape"]).cautions
