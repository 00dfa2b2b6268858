"""Which version this is, and which libraries it stands on."""

__version__ = "0.1.0"


def version_of(library: str) -> str | None:
    """Return the version of a library; None if it is not installed."""
    from importlib.metadata import PackageNotFoundError, version  # a tenth of what --help takes

    try:
        return version(library)
    except PackageNotFoundError:
        return None
