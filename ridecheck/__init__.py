"""ridecheck judges logged motorcycle rides: can these signals be true together?"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("ridecheck")
except PackageNotFoundError:  # a bare checkout, not installed
    __version__ = "0+checkout"
