"""The version that verdicts and events name."""

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("holdwatch")
except PackageNotFoundError:  # run from a source tree that was never installed
    VERSION = "0+unknown"
