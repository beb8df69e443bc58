"""Options of commands that show a test on a phone as well, and the page that follows a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from crankfold.viewer.words import say

if TYPE_CHECKING:
    from crankfold.viewer.session import News, Session
    from crankfold.viewer.share import Shared

Command = TypeVar("Command", bound=Callable[..., Any])


def share_options(command: Command) -> Command:
    """Return a command with the options that `share_of` reads."""
    command = click.option("--share-control", is_flag=True, help=say("option.share_control"))(command)
    command = click.option("--share-at", metavar="HOST[:PORT]", help=say("option.share_at"))(command)
    return click.option("--share", is_flag=True, help=say("option.share"))(command)


def share_of(options: dict[str, Any]) -> Shared | None:
    """Take the options of the phone page out of all, and return what they ask for, None where they ask for nothing.

    Raises
    ------
    InputError
        The address cannot be understood.
    """
    asked, at, control = (options.pop(name) for name in ("share", "share_at", "share_control"))
    if not (asked or at or control):
        return None
    from crankfold.viewer.share import Shared, place_of

    return Shared(place_of(at or ""), control)


@contextmanager
def page_of(shared: Shared | None, session: Session, *, aside: bool = False) -> Iterator[Callable[[News], None]]:
    """Serve the phone page while a session runs; yields what is to be called with each piece of news."""
    if shared is None:
        yield lambda news: None
        return
    from crankfold.viewer.session import Standing, after
    from crankfold.viewer.share import Sharing

    asks: Mapping[str, Callable[[], None]] = {"arm": session.arm, "rest": session.rest, "retry": session.retry}
    with Sharing(shared.place, (lambda action: asks[action]()) if shared.control else None) as page:
        show_address(page.address, aside=aside)
        now = Standing(live=session.plan.live, title=session.plan.title)
        page.tell(now)

        def hear(news: News) -> None:
            nonlocal now
            now = after(now, news)
            page.tell(now)

        yield hear


def show_address(address: str, *, aside: bool) -> None:
    """Print the page's address, and as a code to scan where a terminal shows it; on standard error if `aside`."""
    import sys

    import segno

    click.echo(say("share.address", address=address), err=aside)
    click.echo(say("share.keep"), err=aside)
    out = sys.stderr if aside else sys.stdout
    if out.isatty():
        segno.make(address, error="l").terminal(out=out, compact=True)
