"""What is checked, and the shape of the fleet files."""

from typing import Annotated

import typer

from ridecheck.cli.app import AsFormat, Format, app, on_ascii, say
from ridecheck.core.errors import UsageError


@app.command()
def explain(
    rule: Annotated[
        str,
        typer.Argument(
            metavar="[RULE]",
            help="A rule, check, part, channel or verdict; hazards, cancels; or what rules share "
            "(shared/definitions, shared/slowing, shared/ratio); default: all rules.",
        ),
    ] = "",
    as_format: AsFormat = Format.TEXT,
) -> None:
    """Say what is checked and why, with limits and next step.

    \b
    ridecheck explain
    ridecheck explain switches/brake-dead
    ridecheck explain lamp-by-each-control
    ridecheck explain speed_sensor
    ridecheck explain no_opinion
    ridecheck explain hazards
    ridecheck explain cancels
    ridecheck explain shared/definitions
    ridecheck explain --format csv > rules.csv
    """
    from ridecheck.reporters import explained, explained_words
    from ridecheck.reporters.characters import in_ascii
    from ridecheck.rules import all_rules
    from ridecheck.signals.tables import SHARED

    if rule == "hazards":
        _hazards(as_format)
        return
    if rule == "cancels":
        _cancels(as_format)
        return
    if rule in SHARED:
        _shared(rule, as_format)
        return
    known = all_rules()
    if rule and rule not in known:
        if text := explained_words.word_text(rule):
            say(in_ascii(text) if on_ascii() else text)
            return
        raise UsageError(
            "nothing of this name is known",
            where="ridecheck explain",
            value=rule,
            what_to_do=_nearest(rule, [*known, *explained_words.names()]),
        )
    chosen = [known[rule]] if rule else list(known.values())
    if as_format is Format.JSON:
        say(explained.rules_json(chosen))
    elif as_format is Format.CSV:
        say(explained.rules_csv(chosen))
    else:
        text = explained.rule_text(chosen[0]) if rule else explained.rules_list(chosen)
        say(in_ascii(text) if on_ascii() else text)


def _shared(name: str, as_format: Format) -> None:
    """Print the numbers of a table that several rules share."""
    from ridecheck.reporters import explained
    from ridecheck.reporters.characters import in_ascii

    if as_format is Format.JSON:
        say(explained.shared_json(name))
    elif as_format is Format.CSV:
        say(explained.shared_csv(name))
    else:
        text = explained.shared_text(name)
        say(in_ascii(text) if on_ascii() else text)


def _cancels(as_format: Format) -> None:
    """Print how a cancel is put down to a cause and judged as commanded or not."""
    from ridecheck.reporters import explained_cancels
    from ridecheck.reporters.characters import in_ascii

    if as_format is Format.JSON:
        say(explained_cancels.cancels_json())
    elif as_format is Format.CSV:
        say(explained_cancels.cancels_csv())
    else:
        text = explained_cancels.cancels_text()
        say(in_ascii(text) if on_ascii() else text)


def _hazards(as_format: Format) -> None:
    """Print every way in which cruise can act against its rider."""
    from ridecheck.reporters import hazards_table
    from ridecheck.reporters.characters import in_ascii

    rows = hazards_table.hazards()
    if as_format is Format.JSON:
        say(hazards_table.hazards_json(rows))
    elif as_format is Format.CSV:
        say(hazards_table.hazards_csv(rows))
    else:
        text = hazards_table.hazards_text(rows)
        say(in_ascii(text) if on_ascii() else text)


@app.command()
def schema(
    kind: Annotated[str, typer.Argument(metavar="KIND", help="fleet, model, bike or layout.")],
) -> None:
    """Print the JSON Schema of a fleet file.

    
    ridecheck schema layout > layout.schema.json
    """
    from ridecheck.fleet import json_schema
    from ridecheck.reporters.json_report import as_json

    say(as_json(json_schema(kind)))


def _nearest(name: str, known: list[str]) -> str:
    from ridecheck.core.names import nearest_names

    close = list(nearest_names(name, known))
    close += [k for k in known if name.split("/")[-1] in k and k not in close][:3]
    hint = f"did you mean {' or '.join(close)}? " if close else ""
    return f"{hint}ridecheck explain lists all rules"
