import csv
from pathlib import Path

import numpy as np
import pytest

PUBLISHED = Path(__file__).parents[1] / "published"


def columns(name):
    with (PUBLISHED / name).open() as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


@pytest.fixture
def series():
    """The last column of a published data set, in order."""
    return lambda name: list(columns(name).values())[-1]


@pytest.fixture
def groups():
    """A published data set as a table, one row a group."""

    def table(name):
        found = columns(name)
        number, _, value = found.values()
        return np.array([value[number == one] for one in np.unique(number)])

    return table


@pytest.fixture
def pairs():
    """Two columns of a published data set."""
    return lambda name: tuple(columns(name).values())
