"""What an unattended run is reported to do: a job file of pipelines/jobs/, or one like it."""

import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationError

from ridecheck.core.errors import UsageError
from ridecheck.core.resources import shipped
from ridecheck.core.strict_toml import OneLine, Table, as_tuple

FailOn = Literal["keep_in", "inspect", "no_opinion", "never"]
Names = Annotated[tuple[OneLine, ...], BeforeValidator(as_tuple)]


class Job(Table):
    """One job. Every key has a default: a job file states what differs.

    inbox: a folder, from the fleet folder on. layouts: names of those that new logs are
    tried with, all where empty. comfort_rules false: of the rules about cruise control,
    only those for dangers are applied. workers 0: as many as the machine has processors.
    settle_minutes: a file changed more recently is still growing. thin_samples: apply
    the fleet's retention.
    """

    inbox: OneLine = "inbox"
    layouts: Names = ()
    comfort_rules: bool = True
    workers: int = Field(0, ge=0, le=256)
    fail_on: FailOn = "keep_in"
    settle_minutes: float = Field(5.0, ge=0, le=24 * 60)
    thin_samples: bool = True


def shipped_jobs() -> tuple[str, ...]:
    """Names of the jobs that come with the program."""
    return tuple(sorted(p.stem for p in shipped("pipelines", "jobs").glob("*.toml")))


def read_job(name: str) -> Job:
    """A job by its name, or a job file by its path. UsageError names every mistake."""
    path = shipped("pipelines", "jobs", f"{name}.toml") if name in shipped_jobs() else Path(name)
    try:
        return Job.model_validate(tomllib.loads(path.read_text("utf-8")))
    except ValidationError as error:
        said = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise _wrong("The job file is wrong", path, said) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise _wrong("The job file is no TOML", path, str(error)) from None
    except OSError:
        raise _wrong("There is no such job", path, "") from None


def _wrong(what: str, path: Path, value: str) -> UsageError:
    return UsageError(
        what,
        where=str(path),
        value=value,
        what_to_do=f"Shipped: {', '.join(shipped_jobs())}. Keys: {', '.join(Job.model_fields)}.",
    )
