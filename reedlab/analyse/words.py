"""Small words that the sentences, pictures and files of this room share."""

from collections.abc import Iterable


def counted(count: int, noun: str) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> counted(1, "reed"), counted(24, "reed")
    ('1 reed', '24 reeds')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def with_unit(label: str, unit: str) -> str:
    """Write what an axis shows with its unit, if it has one.

    Examples
    --------
    >>> with_unit("crow", "cents"), with_unit("rating", "")
    ('crow, cents', 'rating')
    """
    return f"{label}, {unit}" if unit else label


def unique_names(headers: Iterable[str]) -> dict[str, str]:
    """Make headers into plain parts of file names, no two alike.

    Examples
    --------
    >>> unique_names(["crow_cents", "Thickness (Å)", "Thickness [mm]"])
    {'crow_cents': 'crow_cents', 'Thickness (Å)': 'Thickness', 'Thickness [mm]': 'Thickness_mm'}
    >>> unique_names(["size-1", "size 1"])
    {'size-1': 'size_1', 'size 1': 'size_1_2'}
    """
    named: dict[str, str] = {}
    for header in dict.fromkeys(headers):
        plain = "".join(c if c.isalnum() and c.isascii() else " " for c in header)
        name = "_".join(plain.split()) or "column"
        same = sum(other == name for other in named.values())
        number = 2
        while same and f"{name}_{number}" in named.values():
            number += 1
        named[header] = f"{name}_{number}" if same else name
    return named
