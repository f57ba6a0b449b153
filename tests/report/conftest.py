import os

import pytest
import studies


@pytest.fixture(scope="session")
def study():
    return studies.invented_study()


@pytest.fixture(scope="session")
def report(study, tmp_path_factory):
    from spc.report.pages import write_report

    return write_report(study, tmp_path_factory.mktemp("reports"), as_of=studies.AS_OF)


@pytest.fixture
def golden():
    """Compare text with a kept file, or renew the file when asked to."""

    def compare(path, text):
        if os.environ.get("RENEW_GOLDEN"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, "utf-8")
        assert text.splitlines() == path.read_text("utf-8").splitlines()

    return compare
