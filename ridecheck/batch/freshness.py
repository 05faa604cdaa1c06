"""Keys that shows whether something worked out before would come out the same today."""

import hashlib

from ridecheck import __version__
from ridecheck.core.rooms import WEIGHING, code_of
from ridecheck.fleet import Fleet
from ridecheck.intake.normalise import read_key
from ridecheck.store.results import canonical


def code_version() -> str:
    """Changes with the program's version and the code that rides and bikes are judged by."""
    return f"{__version__}/{code_of(*WEIGHING)}"


def fleet_key(fleet: Fleet) -> str:
    """Changes with any fleet file, with the reader and with the program."""
    digest = hashlib.sha256(f"{code_version()}\0{layouts_key(fleet)}".encode())
    for folder in ("", "models", "bikes", "layouts"):
        for path in sorted((fleet.root / folder).glob("*.toml")):
            digest.update(f"\0{folder}/{path.name}\0".encode("utf-8", "surrogateescape"))
            digest.update(path.read_bytes())
    return digest.hexdigest()


def layouts_key(fleet: Fleet) -> str:
    """Changes with any layout, with which bike names which, and with the reader."""
    keys = {name: read_key("", layout) for name, layout in fleet.layouts.items()}
    named = {name: bike.layout for name, bike in fleet.bikes.items()}
    return hashlib.sha256(canonical([keys, named])).hexdigest()


def layout_keys(fleet: Fleet) -> dict[str, str]:
    """Twelve hex digits of each layout as it is written; the reader plays no part."""
    return {
        name: hashlib.sha256(layout.model_dump_json().encode()).hexdigest()[:12]
        for name, layout in fleet.layouts.items()
    }


def index_stamps(fleet: Fleet) -> dict[str, str]:
    """What the index was made with; it is made over where any of it changed."""
    return {
        "layouts": layouts_key(fleet),
        "root": str(fleet.root.resolve()),
        "code": code_version(),
        "fleet": f"{fleet.name}; {fleet.time_zone}; {fleet.display_units}",
    }
