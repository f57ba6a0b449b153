import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import studies


@pytest.fixture(scope="session")
def study():
    return studies.invented_study()


@pytest.fixture(scope="session")
def report(study, tmp_path_factory):
    from spc.report.pages import write_report

    return write_report(study, tmp_path_factory.mktemp("reports"), as_of=studies.AS_OF)
