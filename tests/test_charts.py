"""The house style: what is drawn at once is as if drawn one by one, and files hold it all."""

import numpy as np
import pytest

from reedlab import charts
from reedlab.errors import CallError


def labels(axis):
    """Texts of the ticks of an axis that lie in the picture."""
    low, high = sorted(axis.get_view_interval())
    axis.figure.canvas.draw()
    ticks = zip(axis.get_ticklocs(), axis.get_ticklabels(), strict=True)
    return [text.get_text() for place, text in ticks if low <= place <= high]


def test_powers_of_ten_are_plain_text():
    ax = charts.new_axes()
    charts.powers_of_ten(ax)
    ax.set_ylim(5e-4, 12)
    assert labels(ax.yaxis) == ["10⁻³", "10⁻²", "10⁻¹", "1", "10"]


def test_a_small_range_is_told_by_multiples():
    ax = charts.new_axes()
    charts.powers_of_ten(ax)
    ax.set_ylim(1.5e-3, 8e-3)
    ax.figure.canvas.draw()
    minor = [text.get_text() for text in ax.yaxis.get_minorticklabels()]
    assert "2·10⁻³" in minor


def test_many_lines_are_one_artist():
    ax = charts.new_axes()
    lines = [np.array([[0.0, i], [1.0, i + 1]]) for i in range(5)]
    charts.many_lines(ax, lines, color=charts.COLOURS["grey"], alpha=0.4)
    (drawn,) = ax.collections
    assert np.array(drawn.get_segments()) == pytest.approx(np.array(lines))
    assert drawn.get_alpha() == 0.4
    assert not ax.lines


def test_a_picture_holds_its_labels_and_comes_out_the_same_twice(tmp_path):
    def draw():
        ax = charts.new_axes(3, 2)
        ax.plot([0, 1], [0, 1e6])
        ax.set_title("a title that goes over two lines\nof its picture", fontsize=8, loc="left")
        ax.set_ylabel("what is told,\nin some unit")
        return ax

    first = draw()
    files = charts.save(first, tmp_path / "one")
    again = charts.save(draw(), tmp_path / "two")
    assert [path.name for path in files] == ["one.svg", "one.png"]
    assert [path.read_bytes() for path in files] == [path.read_bytes() for path in again]
    whole, needed = first.figure.bbox, first.get_tightbbox()
    assert whole.x0 <= needed.x0 < needed.x1 <= whole.x1
    assert whole.y0 <= needed.y0 < needed.y1 <= whole.y1


def test_axes_without_a_figure_are_refused(tmp_path):
    ax = charts.new_axes()
    ax.remove()
    with pytest.raises(CallError, match="belong to no figure"):
        charts.save(ax, tmp_path / "none")
