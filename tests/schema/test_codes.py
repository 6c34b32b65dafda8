"""Blind codes: what is caught, what is drawn, what is said."""

import csv
import io
from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest

from reedlab.errors import CallError
from reedlab.schema import codes, draw_codes, read_code


def _draw(count: int, seed: int = 1, taken: tuple[str, ...] = ()) -> tuple[str, ...]:
    return draw_codes(count, np.random.default_rng(seed), taken)


def _refused(text: str) -> bool:
    try:
        read_code(text)
    except CallError:
        return True
    return False


def test_the_alphabet_and_the_weights_are_such_that_every_single_slip_is_caught() -> None:
    """Gallian 1996, Error detection methods, ACM Computing Surveys 28(3): a substitution is
    caught if each weight, a swap if each difference of weights, is prime to the modulus."""
    size = len(codes.ALPHABET)
    assert size == len(set(codes.ALPHABET)) == 31
    assert all(size % divisor for divisor in range(2, size))
    assert not set("O0I1") & set(codes.ALPHABET)
    weights = codes._WEIGHTS
    assert all(weight % size for weight in weights)
    assert all((one - two) % size for one, two in combinations(weights, 2))


def test_the_check_character_is_that_of_the_isbn_when_the_numbers_are_the_isbns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # ISBN 0-306-40615-2: the worked example in many descriptions of ISO 2108.
    monkeypatch.setattr(codes, "ALPHABET", "0123456789X")
    monkeypatch.setattr(codes, "_WEIGHTS", tuple(range(10, 0, -1)))
    assert codes._check_character("030640615") == "2"


def test_every_wrong_character_is_caught() -> None:
    slips = 0
    for code in _draw(300):
        for place, wrong in product(range(4), codes.ALPHABET):
            if wrong != code[place]:
                assert _refused(code[:place] + wrong + code[place + 1 :])
                slips += 1
    assert slips == 300 * 4 * 30


def test_every_swap_of_two_characters_is_caught() -> None:
    slips = 0
    for code in _draw(300):
        for one, two in combinations(range(4), 2):
            if code[one] != code[two]:
                swapped = list(code)
                swapped[one], swapped[two] = code[two], code[one]
                assert _refused("".join(swapped))
                slips += 1
    assert slips > 1500


def test_codes_are_read_in_lower_case_and_with_spaces_around() -> None:
    for code in _draw(300):
        assert read_code(code) == read_code(f"  {code.lower()}\t") == code


def test_codes_stay_text_in_a_sheet() -> None:
    """A code must not look like a number (2E34) or a day (MAR2): known trap of spreadsheets."""
    every = codes._all_codes()
    assert len(every) == len(set(every)) == 5704
    assert all(code[0].isalpha() and code[1].isdigit() for code in every)
    text = io.StringIO()
    csv.writer(text).writerows([["code"], *([code] for code in every)])
    back = pd.read_csv(io.StringIO(text.getvalue()))["code"]
    assert tuple(back) == every


def test_every_code_is_equally_likely_and_drawn_once() -> None:
    from scipy import stats

    drawn = [code for seed in range(400) for code in _draw(100, seed)]
    number = {code: place for place, code in enumerate(codes._all_codes())}
    counts = np.bincount([number[code] for code in drawn], minlength=len(number))
    assert stats.chisquare(counts).pvalue > 0.001
    # The first code of a draw is no different from the others.
    first = np.bincount([codes.ALPHABET.index(_draw(8, seed)[0][0]) for seed in range(500)])
    assert stats.chisquare(first[8:]).pvalue > 0.001
    assert all(len(set(_draw(100, seed))) == 100 for seed in range(50))


def test_the_same_seed_gives_the_same_codes_and_another_seed_others() -> None:
    assert _draw(3, 4) == ("S7M8", "X47W", "Y7HT")
    assert _draw(24, 1) == _draw(24, 1) != _draw(24, 2)


def test_codes_that_are_taken_are_never_drawn_again() -> None:
    earlier = _draw(5000)
    later = _draw(704, 2, tuple(code.lower() for code in earlier))
    assert not set(later) & set(earlier)
    assert len(set(later)) == 704


def test_too_many_codes_are_refused() -> None:
    with pytest.raises(CallError) as told:
        _draw(705, 2, _draw(5000))
    assert str(told.value) == (
        "705 codes were asked for, but only 704 are left; open a new study for more reeds."
    )
    with pytest.raises(CallError, match=r"-1 codes were asked for; ask for none or more\."):
        _draw(-1)
    assert _draw(0) == ()


@pytest.mark.parametrize(
    ("typed", "fault"),
    [
        ("K7P", "a code has 4 characters"),
        ("", "a code has 4 characters"),
        ("K7PZZ", "a code has 4 characters"),
        ("K0PZ", "'0' does not occur in codes"),
        ("io7P", "'I' and 'O' do not occur in codes"),
        ("K7 Z", "' ' does not occur in codes"),
        (
            "k7pA",
            "its check character does not fit, so a character is wrong or two have changed places",
        ),
    ],
)
def test_a_code_that_cannot_be_right_is_told_with_the_way_out(typed: str, fault: str) -> None:
    with pytest.raises(CallError) as told:
        read_code(typed)
    assert str(told.value) == f"'{typed}' is no blind code: {fault}; look at the reed again."


def test_the_nearest_codes_given_out_are_named() -> None:
    given = ("K7PZ", "K7PZ".lower(), "A2AA")
    assert _refused("K7ZP")
    with pytest.raises(CallError, match=r"look at the reed again\. Nearest given out: K7PZ, K7PZ"):
        read_code("K7ZP", given)
    with pytest.raises(CallError, match=r"Nearest given out: K7PZ\.$"):
        read_code("K1PZ", ["K7PZ", "K7P", "W8XY"])
    with pytest.raises(CallError, match=r"look at the reed again\.$"):
        read_code("K1PZ", ["W8XY"])
    assert read_code("K7PZ", ["W8XY"]) == "K7PZ"
