"""Where a ledger is, and how its place is shown: never with a password."""

import os
import re
from pathlib import Path
from urllib.parse import unquote_plus

from sqlalchemy import URL, exc, make_url

from spc.errors import SpcError

#: Name of the ledger in the folder of the plan, and the variable that names another one.
FILE_NAME, VARIABLE = "spc.db", "SPC_LEDGER"
#: Stands where a secret was.
HIDDEN = "…"
_URL = re.compile(r"^([a-z0-9+.-]+://)(.*)$", re.IGNORECASE | re.DOTALL)
#: Passwords of users and of keys may stand among the settings of a connection, too.
_SETTING = re.compile(r"([?&][^=&]*pass[^=&]*=)([^&]*)", re.IGNORECASE)


def place_of(plan: str | Path, named: str | None = None) -> str:
    """
    Where the ledger of a plan is: as named, else by ``SPC_LEDGER``, else beside the plan.

    Examples
    --------
    >>> place_of("jobs/pin.toml", "other.db")
    'other.db'
    """
    return named or os.environ.get(VARIABLE) or str(Path(plan).parent / FILE_NAME)


def url_of(place: str) -> URL:
    """
    The database behind a file name or a URL.

    Raises
    ------
    SpcError
        When it is no URL, or one of another kind of database.
    """
    if "://" not in place:
        return URL.create("sqlite", database=place)
    try:
        url = make_url(place)
    except (exc.ArgumentError, ValueError):
        # Their words may hold a piece of the password.
        raise SpcError(
            f"{shown(place)}: this is no URL of a ledger; write it such as "
            "postgresql://user@host:5432/database"
        ) from None
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() != "sqlite" or not url.database:
        raise SpcError(f"{shown(place)}: a ledger is an SQLite file or a postgresql:// URL")
    return url


def shown(place: str) -> str:
    """
    A place fit to be shown: as named, with `HIDDEN` for every password.

    Examples
    --------
    >>> shown("postgresql://user:se/cr@t@host/db?sslpassword=x&port=1")
    'postgresql://user:…@host/db?sslpassword=…&port=1'
    >>> shown("jobs/spc.db")
    'jobs/spc.db'
    """
    found = _URL.match(place)
    if found is None:
        return place
    scheme, rest = found[1], _SETTING.sub(rf"\g<1>{HIDDEN}", found[2])
    # A password with marks that should have been written as %40 or %2F is one all the same.
    told, at, where = rest.rpartition("@")
    user, colon, _ = told.partition(":")
    return f"{scheme}{user}{colon and colon + HIDDEN}{at}{where}"


def without_secrets(text: str, place: str) -> str:
    """What a database or its driver says, with `HIDDEN` for every password of a place."""
    found = _URL.match(place)
    if found is None:
        return text
    secrets = {value for _, value in _SETTING.findall(found[2])}
    secrets.add(_SETTING.sub("", found[2]).rpartition("@")[0].partition(":")[2])
    for secret in sorted({*secrets, *map(unquote_plus, secrets)} - {""}, key=len, reverse=True):
        text = text.replace(secret, HIDDEN)
    return text
