"""What was typed into the forms of batches, taken: done once, or given back with what is wrong."""

import logging
from collections.abc import Callable, Mapping
from typing import Final

from controller.journal.errors import BatchError, JournalError
from controller.journal.reader import open_reader
from controller.page.doing_pages import entry_of, parts_of, read_known, typed_in
from controller.page.doings import DOINGS, may_do, put_right
from controller.page.fields import OWN, SURE, TYPED, WRONG, Wrong, fault_of
from controller.page.handlers import OLD_FORM, Show
from controller.page.moment import Moment
from controller.page.sticking import mix_words, stick
from controller.page.tokens import Holder

log = logging.getLogger(__name__)

FIELDS_MOST: Final = 60
VALUE_MOST: Final = 2000


class Write(Show):
    """GET a form as any page; POST what was typed into it."""

    async def post(self) -> None:
        holder, moment = self.actor()
        path = self.request.path
        values = self.typed()
        sure = values.pop("sure", "") == "yes"
        drawn_at = values.pop("drawn", "")
        values.pop("form", None)
        if not self.is_own_form(holder):
            await self.show_again(path, {**values, WRONG: OLD_FORM.rstrip(".")}, holder, 403)
            return
        key = (holder, path, drawn_at, sure, tuple(sorted(values.items())))
        pen = self.door.pen
        try:
            said, where, before = await pen.write(
                key, self.work(path, values, moment, holder, sure=sure)
            )
        except _NotSure:
            await self.show_again(path, {**values, SURE: "yes"}, holder, 200)
            return
        except Wrong as error:
            await self.refused(path, values, error.faults, holder)
            return
        except BatchError as error:
            await self.refused(path, values, fault_of(str(error), list(values)), holder)
            return
        except JournalError as error:
            log.warning("what was typed could not be written down: %s", error)
            text = "the journal can't be written just now; send it again in a minute"
            await self.refused(path, values, {"": text}, holder)
            return
        self.door.renderer.forget()
        once = " It was done once, though the form came twice." if before else ""
        name = self.door.keep_answer(f"Done: {said}.{once}")
        self.redirect(f"{where}?said={name}", status=303)

    def typed(self) -> dict[str, str]:
        """Every field that was sent; too many or too long ones are refused whole."""
        found = {
            name: self.get_body_argument(name, "").strip() for name in self.request.body_arguments
        }
        too_long = any(len(name) > 40 or len(value) > VALUE_MOST for name, value in found.items())
        if len(found) > FIELDS_MOST or too_long or any(name.startswith(OWN) for name in found):
            self.refuse(400, "That is more than can be written down. Nothing was changed.")
        return found

    def work(
        self, path: str, values: dict[str, str], moment: Moment, holder: Holder, *, sure: bool
    ) -> Callable[[], tuple[str, str]]:
        """What the worker is to do: raises Wrong, BatchError, JournalError or _NotSure."""
        pen = self.door.pen

        def do() -> tuple[str, str]:
            acts, typed = pen.acts(moment, holder), typed_in(values, moment)
            if path == "/stick":
                said, made = stick(acts, moment.site, typed)
                hint = mix_words(pen.journal, made)
                return f"{said}{f'; {hint}' if hint else ''}", f"/batch/{made.number}"
            number, act, entry_number = parts_of(path)
            with open_reader(pen.journal) as reader:
                known = read_known(reader, moment, number)
            if known is None:
                raise BatchError(f"there is no batch {number}")
            where = f"/batch/{number}"
            entry = entry_of(known, entry_number)
            if entry is not None:
                return put_right(acts, known, entry, typed), where
            if act not in may_do(known.batch):
                raise BatchError(f"batch {number} takes no such entry any more")
            doing = DOINGS[act]
            if doing.effect is not None and not sure:
                doing.effect(known, typed)
                raise _NotSure
            return f"batch {number}, {doing.do(acts, known, typed)}", where

        return do

    async def refused(
        self, path: str, values: dict[str, str], faults: Mapping[str, str], holder: Holder
    ) -> None:
        marks = {f"{WRONG}{name}": text.rstrip(".") for name, text in faults.items()}
        await self.show_again(path, {**values, **marks}, holder, 422)

    async def show_again(
        self, path: str, query: dict[str, str], holder: Holder, status: int
    ) -> None:
        page = self.page_of(path)
        made = await self.made(page, path, {**query, TYPED: "yes"}, holder)
        self.give_page(made, status if made.status == 200 else made.status)


class _NotSure(ValueError):
    """It is to be asked for again."""
