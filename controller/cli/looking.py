"""What is at this machine's serial ports and on a broker, without a bench file."""

from typing import Any, Final

import click

from controller.cli.common import Refused, give_json
from controller.faces import Rows, console
from controller.wiring.found import board_words, boards, topics
from sensors.clock import Clock
from sensors.links.mqtt_session import LinkError

NO_PORT: Final = "no serial port here; is the board plugged in, and with a lead that carries data?"


def look(ports: bool, broker: str | None, span_s: float, clock: Clock, as_json: bool) -> None:
    """Listen for up to `span_s` seconds at the serial ports, at a broker HOST[:PORT], or both.

    Raises Refused where the broker can't be read.
    """
    address = None if broker is None else _address(broker)
    found: dict[str, Any] = {}
    if not as_json:
        click.echo(f"listening for up to {span_s:g} s ...", err=True)
    if ports:
        heard = boards(clock, span_s)
        found["boards"] = [{**one._asdict(), "port": one.port._asdict()} for one in heard]
        if not as_json:
            click.echo("\n".join(board_words(one) for one in heard) or NO_PORT)
    if address is not None:
        try:
            said = topics(*address, span_s)
        except LinkError as error:
            raise Refused(str(error)) from error
        found["topics"] = [one._asdict() for one in said]
        if not as_json:
            rows = Rows(console(), "topic", "heard", "last")
            for one in said:
                rows.add_row(one.topic, one.how_often, one.last)
            rows.show() if said else click.echo(f"nothing was said on {broker}")
    if as_json:
        give_json(found)


def _address(broker: str) -> tuple[str, int]:
    host, _, port = broker.partition(":")
    if not host or (port and not (port.isdecimal() and 0 < int(port) < 65536)):
        raise click.BadParameter(f"{broker!r}; write HOST or HOST:PORT")
    return host, int(port or 1883)
