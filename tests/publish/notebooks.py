"""Notebooks as a kernel leaves them: each cell's value formatted by the shell's own formatter."""

import json

from IPython.core.formatters import DisplayFormatter


def write_notebook(path, *values):
    """Write a run notebook that shows these values, a cell each; return its path."""
    shown = DisplayFormatter()
    shown.active_types = shown.format_types
    cells = [
        {
            "cell_type": "code",
            "id": f"cell{place}",
            "execution_count": place,
            "metadata": {},
            "source": [f"value_{place}"],
            "outputs": [
                {
                    "output_type": "execute_result",
                    "execution_count": place,
                    "metadata": {},
                    "data": shown.format(value)[0],
                }
            ],
        }
        for place, value in enumerate(values, start=1)
    ]
    notebook = {"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}
    path.write_text(json.dumps(notebook, ensure_ascii=False), "utf-8")
    return path
