"""Fractions of two-level factorials against published tables of resolution and word counts."""

from itertools import combinations
from math import prod

import numpy as np
import pandas as pd
import pytest
from pydoe import fullfact

from reedlab.errors import CallError
from reedlab.plan.aliases import aliases
from reedlab.plan.classical.defining import block_terms, defining_words, resolution_of
from reedlab.plan.classical.fractions import fractional_factorial, full_factorial
from reedlab.schema import Factor


def two_level(count, names="ABCDEFGHJKLMNOPQRSTUVWXYZabcdefgh"):
    return [Factor(name, (-1, 1)) for name in names[:count]]


def message(*args, **kwargs):
    with pytest.raises(CallError) as caught:
        fractional_factorial(*args, **kwargs)
    return str(caught.value)


#: NIST/SEMATECH e-Handbook of Statistical Methods 5.3.3.4.7, summary of fractions: factors,
#: recipes, resolution (from memory; the page was not at hand).
HANDBOOK = [
    (3, 4, "III"),
    (4, 8, "IV"),
    (5, 16, "V"),
    (5, 8, "III"),
    (6, 32, "VI"),
    (6, 16, "IV"),
    (6, 8, "III"),
    (7, 64, "VII"),
    (7, 32, "IV"),
    (7, 16, "IV"),
    (7, 8, "III"),
    (8, 128, "VIII"),
    (8, 64, "V"),
    (8, 32, "IV"),
    (8, 16, "IV"),
    (9, 128, "VI"),
    (9, 64, "IV"),
    (9, 32, "IV"),
    (9, 16, "III"),
    (10, 128, "V"),
    (10, 64, "IV"),
    (10, 32, "IV"),
    (10, 16, "III"),
    (11, 128, "V"),
    (11, 64, "IV"),
    (11, 32, "IV"),
    (11, 16, "III"),
    (15, 16, "III"),
    (31, 32, "III"),
]


@pytest.mark.parametrize(("count", "runs", "resolution"), HANDBOOK)
def test_resolution_is_the_handbooks(count, runs, resolution):
    design = fractional_factorial(two_level(count), runs=runs)
    names = [factor.name for factor in design.factors]
    signs = design.table[names].to_numpy()
    assert design.resolution == resolution
    assert signs.shape == (runs, count)
    assert len(np.unique(signs, axis=0)) == runs
    assert (signs.T @ signs == runs * np.eye(count)).all()
    assert (signs.sum(axis=0) == 0).all()


#: Words of three, four, five and six factors in the fraction of least aberration: Chen, Sun
#: & Wu (1993), International Statistical Review 61, 131-145, tables of 16, 32 and 64
#: recipes (from memory).
WORDS = {
    (6, 16): (0, 3, 0, 0),
    (7, 16): (0, 7, 0, 0),
    (8, 16): (0, 14, 0, 0),
    (9, 16): (4, 14, 8, 0),
    (10, 16): (8, 18, 16, 8),
    (7, 32): (0, 1, 2, 0),
    (8, 32): (0, 3, 4, 0),
    (9, 32): (0, 6, 8, 0),
    (10, 32): (0, 10, 16, 0),
    (11, 32): (0, 25, 0, 27),
    (8, 64): (0, 0, 2, 1),
    (9, 64): (0, 1, 4, 2),
    (10, 64): (0, 2, 8, 4),
    (11, 64): (0, 4, 14, 8),
}


@pytest.mark.parametrize("size", WORDS)
def test_fractions_have_least_aberration(size):
    design = fractional_factorial(two_level(size[0]), runs=size[1])
    words = defining_words(design.table, design.factors, longest=6)
    assert tuple(sum(len(word) == n for word in words) for n in (3, 4, 5, 6)) == WORDS[size]
    for word, sign in words.items():
        assert (design.table[list(word)].prod(axis=1) == sign).all()


#: Recipes needed: known trap D1 (a library gave 32 recipes of resolution IV for eight and for
#: nine factors at V, 16 for seven at III, and none for five at V and four at IV).
NEEDED = [(8, "V", 64), (9, "V", 128), (7, "III", 8), (5, "V", 16), (4, "IV", 8), (3, "V", 8)]


@pytest.mark.parametrize(("count", "resolution", "runs"), NEEDED)
def test_the_resolution_asked_for_is_the_one_delivered(count, resolution, runs):
    design = fractional_factorial(two_level(count), resolution=resolution)
    assert len(design.table) == runs
    # Nine in 128 reach VI; three at V take all combinations.
    reached = {(9, "V"): "VI", (3, "V"): None}.get((count, resolution), resolution)
    assert design.resolution == reached


def test_resolution_may_be_a_number_and_is_iv_if_left_out():
    eight = two_level(8)
    assert len(fractional_factorial(eight, resolution=5).table) == 64
    usual = fractional_factorial(eight)
    assert (len(usual.table), usual.resolution) == (16, "IV")


#: Montgomery, Design and Analysis of Experiments, filtration rate, 2^4 in standard order
#: (values as in two public copies), and the published effects of the half D = ABC.
FILTRATION = [45, 71, 48, 65, 68, 60, 80, 65, 43, 100, 45, 104, 75, 86, 70, 96]
HALF_EFFECTS = {"A": 19.0, "B": 1.5, "C": 14.0, "D": 16.5, "A:B": -1.0, "A:C": -18.5, "A:D": 19.0}


def test_montgomerys_half_fraction():
    full = full_factorial(two_level(4)).table.assign(rate=FILTRATION)
    design = fractional_factorial(two_level(4), generators={"D": ("A", "B", "C")})
    half = design.table.merge(full.drop(columns="recipe"))
    assert design.resolution == "IV"
    assert design.generators == ("D = A × B × C",)
    assert half["rate"].tolist() == [45, 100, 45, 65, 75, 60, 80, 96]
    for term, effect in HALF_EFFECTS.items():
        contrast = half[term.split(":")].prod(axis=1)
        assert (contrast * half["rate"]).sum() / 4 == pytest.approx(effect)


def test_montgomerys_alias_table():
    # A + BCD, B + ACD, C + ABD, D + ABC, AB + CD, AC + BD, AD + BC (Montgomery).
    design = fractional_factorial(two_level(4), runs=8)
    found = aliases(design.table, design.factors, highest=3).table
    assert set(zip(found["term"], found["mixed_with"], strict=True)) == {
        ("A", "B:C:D"),
        ("B", "A:C:D"),
        ("C", "A:B:D"),
        ("D", "A:B:C"),
        ("A:B", "C:D"),
        ("A:C", "B:D"),
        ("A:D", "B:C"),
    }
    assert found["correlation"].to_numpy() == pytest.approx(1)


#: NIST/SEMATECH e-Handbook 5.4.7.2, catapult: coded height, start, bands, length, stop of the
#: 16 corner recipes in run order, and two at the centre; I = height x start x bands x length
#: x stop.
CATAPULT = """
----+ 00+00 +++++ +-++- -+++- +---- 00-00 ++--+ +--++ -+--- ++-+- ---+- 00+00 +++-- --+--
-++-+ +-+-+ -+-++ 00-00 --+++
"""


def test_the_handbooks_catapult_is_recognised():
    code = {"-": -1, "0": 0, "+": 1}
    names = ["height", "start", "bands", "length", "stop"]
    runs = pd.DataFrame([[code[s] for s in row] for row in CATAPULT.split()], columns=names)
    factors = [Factor(name, (-1, 1)) for name in names]
    assert len(runs) == 20
    assert resolution_of(runs, factors) == "V"
    assert defining_words(runs, factors) == {tuple(names): 1}
    assert fractional_factorial(factors, resolution="V").generators == (
        "stop = height × start × bands × length",
    )


def test_words_carry_their_sign():
    runs = full_factorial(two_level(2)).table.assign(C=lambda t: -t["A"] * t["B"])
    assert defining_words(runs, two_level(3)) == {("A", "B", "C"): -1}


def test_recipes_are_in_standard_order_with_the_makers_levels():
    factors = [Factor("gouge", (1.25, 1.35)), Factor("shape", ("wide", "narrow"))]
    table = fractional_factorial(factors).table
    assert table.to_dict("list") == {
        "recipe": [1, 2, 3, 4],
        "gouge": [1.25, 1.35, 1.25, 1.35],
        "shape": ["wide", "wide", "narrow", "narrow"],
    }


def test_full_factorial_is_pydoes():
    factors = [Factor("a", (0, 1)), Factor("b", (0, 1, 2)), Factor("c", ("x", "y", "z", "w"))]
    table = full_factorial(factors).table
    coded = table.assign(c=table["c"].map({"x": 0, "y": 1, "z": 2, "w": 3}))[["a", "b", "c"]]
    assert np.array_equal(coded.to_numpy(), fullfact([2, 3, 4]))
    assert not len(full_factorial(factors).aliases.table)


def test_sentences_say_what_is_mixed_up():
    five = [Factor(n, (-1, 1)) for n in ("gouge", "shape", "wire_tension", "bevel", "soak")]
    assert fractional_factorial(five, runs=16).sentence == (
        "16 recipes for 5 factors, resolution V: no main effect and no interaction of two "
        "factors is mixed up with another of these."
    )
    third = fractional_factorial(five[:3], runs=4)
    assert third.sentence == (
        "4 recipes for 3 factors, resolution III: main effects are mixed up with interactions of "
        "two factors."
    )
    assert third.aliases.sentence == (
        "gouge is mixed up with shape × wire tension; shape is mixed up with gouge × wire "
        "tension; wire tension is mixed up with gouge × shape."
    )
    assert "take it for a lead" in third.cautions[0]


class TestBlocks:
    def test_a_half_fraction_of_five_lists_what_the_blocks_hide(self):
        # Known trap D12. In 16 recipes of resolution V each contrast is a main effect or one
        # interaction of two factors, so just one interaction is lost, and no main effect.
        factors = [Factor(name, (-1, 1)) for name in ("gouge", "shape", "wire", "bevel", "block")]
        design = fractional_factorial(factors, runs=16, blocks=2)
        assert design.block_column == "plan_block"
        assert design.mixed_with_blocks == ("gouge × shape",)
        assert design.sentence.endswith("Mixed up with the blocks: gouge × shape.")
        assert list(design.table)[:2] == ["recipe", "plan_block"]
        assert design.table["block"].isin([-1, 1]).all()

    #: Interactions of two factors lost, by factors and blocks: Montgomery, Design and
    #: Analysis of Experiments, suggested blocking arrangements for 2^k (from memory): 2^k in
    #: 2 the interaction of all; 2^3 in 4 AB AC BC; 2^4 in 4 ABD ACD BC; in 8 all six and
    #: ABCD; 2^5 in 4 ABC CDE ABDE; in 8 two (AC BD); 2^6 in 8 ABEF ABCD ACE, none.
    LOST = (
        (3, 2, 0),
        (4, 2, 0),
        (5, 2, 0),
        (6, 2, 0),
        (3, 4, 3),
        (4, 4, 1),
        (4, 8, 6),
        (5, 4, 0),
        (5, 8, 2),
        (6, 4, 0),
        (6, 8, 0),
    )

    @pytest.mark.parametrize(("count", "blocks", "lost"), LOST)
    def test_full_factorials_in_blocks(self, count, blocks, lost):
        design = fractional_factorial(two_level(count), runs=2**count, blocks=blocks)
        table = design.table
        assert design.resolution is None
        assert table["block"].value_counts().eq(2**count // blocks).all()
        assert sum(term.count("×") == 1 for term in design.mixed_with_blocks) == lost
        for name in (factor.name for factor in design.factors):
            assert (table.groupby("block")[name].sum() == 0).all()

    def test_the_only_interaction_lost_is_that_of_all(self):
        design = fractional_factorial(two_level(4), runs=16, blocks=2)
        assert design.mixed_with_blocks == ("A × B × C × D",)

    def test_blocks_may_carry_any_name(self):
        table = full_factorial(two_level(2)).table.assign(tube=list("xyyx"))
        assert block_terms(table, two_level(2), "tube") == ("A × B",)

    def test_a_tube_level_factor_cannot_change_within_a_tube(self):
        factors = [*two_level(3), Factor("gouge", (1.25, 1.35), stratum="tube")]
        design = fractional_factorial(factors, runs=8, blocks=2)
        assert design.cautions == (
            "The level of gouge is given to a whole tube: recipes that differ in it need "
            "different tubes, and it is judged by tubes, not by reeds; design_batch deals it out "
            "so. It changes within blocks, so a block cannot be one tube.",
        )


class TestMistakes:
    def test_resolution_that_so_many_recipes_cannot_give(self):
        assert message(two_level(8), runs=16, resolution="V") == (
            "8 factors at resolution V need 64 recipes; 16 give resolution IV."
        )

    def test_resolution_beyond_the_catalogue(self):
        assert message(two_level(12), resolution="V") == (
            "12 factors at resolution V need more than 128 recipes; 128 give resolution IV."
        )

    def test_runs(self):
        assert message(two_level(5), runs=24) == (
            "A regular fraction has 4, 8, 16, 32, 64 or 128 recipes, not 24; plackett_burman has "
            "12, 20 or 24, and design_batch any number."
        )
        assert message(two_level(8), runs=8) == "8 recipes hold at most 7 factors; 8 need 16."
        assert message(two_level(2), runs=8) == (
            "2 factors have 4 combinations, fewer than 8 recipes: ask for 4, and make each more "
            "than once."
        )

    def test_too_many_factors(self):
        assert message(two_level(32), runs=64) == (
            "32 factors are more than this catalogue spreads (31): leave the least likely out."
        )

    def test_all_faults_of_factors_and_resolution_at_once(self):
        odd = [
            Factor("gouge", (1.25, 1.30, 1.35)),
            Factor("shape", ("narrow",)),
            Factor("bevel", (1, 2)),
            Factor("bevel", (1, 2)),
        ]
        text = message(odd, resolution="2")
        assert "The resolution is '2'; say III, IV, V or more, or 3, 4, 5." in text
        assert "The factor 'bevel' is given twice." in text
        assert "shape has one level only (narrow): name two or more." in text
        assert (
            "gouge has 3 levels (1.25, 1.3, 1.35), and a two-level fraction takes two: name its "
            "two ends, or use full_factorial." in text
        )

    def test_generators(self):
        six = two_level(6)
        assert message(six, generators={"E": ("A", "Q"), "R": ("A", "B")}) == (
            "There is no factor 'R'. Present: A, B, C, D, E, F. "
            "There is no factor 'Q'. Present: A, B, C, D, E, F."
        )
        assert message(six, generators={"E": ("A", "B"), "F": ("B", "A")}) == (
            "F and E would have the same level in every recipe: give one of them another generator."
        )
        assert message(six, generators={"F": "A", "E": ("A", "A")}) == (
            "F and A would have the same level in every recipe: give one of them another "
            "generator. The generator of E must name different factors, each once."
        )
        assert message(six, generators={"E": ("A", "B"), "F": ("E", "C")}) == (
            "The generator of F uses E, which is generated itself: write it with A, B, C, D only."
        )
        assert message(six, runs=32, generators={"E": ("A", "B"), "F": ("A", "C")}) == (
            "2 generators for 6 factors make 16 recipes, not 32: leave runs out, or change the "
            "generators."
        )
        assert message(six, resolution="IV", generators={"F": ("A", "B")}) == (
            "These generators give resolution III, not IV: leave them out, and the best are chosen."
        )

    def test_blocks(self):
        assert message(two_level(5), runs=16, blocks=3) == (
            "16 recipes fall into 2, 4, 8 ... blocks of 2 or more, not into 3."
        )
        assert message(two_level(11), runs=16, blocks=8) == (
            "16 recipes for 11 factors cannot fall into 8 blocks without mixing up a main effect "
            "with the blocks: ask for 4 blocks."
        )
        assert message(two_level(15), runs=16, blocks=2) == (
            "16 recipes for 15 factors cannot fall into 2 blocks without mixing up a main effect "
            "with the blocks: lay them in one block, or make more."
        )

    def test_full_factorial(self):
        with pytest.raises(CallError, match="'diameter' has no levels"):
            full_factorial([Factor("diameter", kind="numeric")])
        with pytest.raises(CallError, match="13 factors have 8192 combinations; the most"):
            full_factorial(two_level(13))
        with pytest.raises(CallError, match="No factor is asked for"):
            full_factorial([])

    def test_a_table_without_resolution(self):
        three = pd.DataFrame({"shape": ["a", "b", "c"]})
        with pytest.raises(CallError, match="shape has 3 levels; words and resolution are of"):
            resolution_of(three, [Factor("shape", ("a", "b", "c"))])
        with pytest.raises(CallError, match="shape is 'c' in one recipe; its levels are a and b"):
            resolution_of(three, [Factor("shape", ("a", "b"))])
        middle = pd.DataFrame({"gouge": [1.3, 1.3]})
        with pytest.raises(CallError, match="No recipe of this table stands at one of two ends"):
            resolution_of(middle, [Factor("gouge", (1.25, 1.35))])
        with pytest.raises(
            CallError, match=r"gouge is 1.3 in one recipe; its levels run from 1.0 to 1.2"
        ):
            resolution_of(middle, [Factor("gouge", (1.0, 1.2))])
        typed = pd.DataFrame({"gouge": [1.25, "1,35"]})
        with pytest.raises(CallError, match=r"gouge is 1,35 in one recipe; its levels run from"):
            resolution_of(typed, [Factor("gouge", (1.25, 1.35))])
        with pytest.raises(CallError, match=r"There is no column 'gauge'. Nearest: gouge"):
            resolution_of(middle, [Factor("gauge", (1.25, 1.35))])

    def test_too_many_products(self):
        design = fractional_factorial(two_level(31), runs=32)
        with pytest.raises(CallError, match="31 factors have 736281 products of 6, too many"):
            defining_words(design.table, design.factors)
        assert len(defining_words(design.table, design.factors, longest=3)) == 155


def test_an_irregular_table_has_a_resolution_too():
    # One lost recipe unbalances every factor; two copies of a fraction are as one.
    design = fractional_factorial(two_level(5), runs=16)
    twice = pd.concat([design.table, design.table])
    assert resolution_of(twice, design.factors) == "V"
    assert resolution_of(design.table.iloc[1:], design.factors) == "I"


def test_words_are_found_as_by_hand():
    design = fractional_factorial(two_level(7), runs=16)
    names = [factor.name for factor in design.factors]
    by_hand = {
        word
        for size in range(1, 8)
        for word in combinations(names, size)
        if abs(sum(prod(row) for row in design.table[list(word)].to_numpy())) == 16
    }
    assert set(defining_words(design.table, design.factors)) == by_hand
    assert len(by_hand) == 7


def test_pictures_show_every_recipe():
    design = fractional_factorial(two_level(5), runs=16, blocks=2)
    ax = design.plot()
    assert len(ax.lines) == 16 * 5 + 1
    assert [text.get_text() for text in ax.texts] == ["block 1", "block 2"]
    assert ax.get_xticklabels()[0].get_text() == "A\n○ -1\n● 1"
    assert [int(label.get_text()) for label in ax.get_yticklabels()] == sorted(
        range(1, 17), key=lambda n: (design.table["block"].iloc[n - 1], n)
    )
