"""What a person asks for with a form: checked here, decided by the loop, its answer shown.

An act is one line of plain form fields, so it works without a script. What may harm cuttings is
shown with its effect and its end first and asked for twice; acknowledging is one tap and changes no
output. The guards of the loop have the last word on all of it.
"""

import asyncio
import re
from typing import Final

from controller.page.consent import effect_of
from controller.page.handlers import OLD_FORM, Base
from controller.page.shell import consent_page
from controller.records import Act, ActDone, ActKind

WAIT_S: Final = 12.0
"""Real seconds to wait for the loop's answer."""
TWICE: Final = frozenset(
    {ActKind.HOLD_HEAT, ActKind.HOLD_MIST, ActKind.RESET, ActKind.BURST}
)  # fmt: skip
"""Asked for twice."""
_PLACE: Final = re.compile(r"^[A-Za-z0-9_.-]{1,100}$")
_BACK: Final = re.compile(r"/(?:[a-z0-9_][a-z0-9_./-]*)?")
"""A path of this page; nothing that a browser could take for another site."""
NOTE_MOST: Final = 500
FIELDS: Final = ("kind", "place", "alarm", "minutes", "seconds", "value", "note", "back")


class Do(Base):
    """POST /act: one act."""

    async def post(self) -> None:
        holder, moment = self.actor()
        fields = {name: self.get_body_argument(name, "").strip() for name in FIELDS}
        if not _BACK.fullmatch(fields["back"]):
            fields["back"] = "/"
        act = self.act_of(fields, holder.name)
        own = self.is_own_form(holder)
        sure = self.get_body_argument("sure", "") == "yes"
        if not own or (act.kind in TWICE and not sure):
            effect = effect_of(act, moment)
            if effect is None:
                what = f"{act.alarm} at {act.place}" if act.alarm else act.place
                self.refuse(400, f"There is no {what} here. Nothing was changed.")
            if not own:
                effect = effect._replace(lines=(f"Nothing was done. {OLD_FORM}", *effect.lines))
                self.set_status(403)
            token = self.door.gate.form_token(holder)
            self.finish(consent_page(moment, effect, fields, token))
            return
        answer = await self.asked(act)
        self.redirect(f"{fields['back']}?said={self.door.keep_answer(answer)}", status=303)

    def act_of(self, fields: dict[str, str], by: str) -> Act:
        """The act that a form asks for; anything that makes no sense is refused whole."""
        kind = fields["kind"]
        if kind not in set(ActKind):
            self.refuse(400, f"There is no act of the kind {kind[:40]!r}. Nothing was changed.")
        if not _PLACE.match(fields["place"]) or len(fields["note"]) > NOTE_MOST:
            self.refuse(400, "That place or note can't be taken. Nothing was changed.")
        if fields["alarm"] and not _PLACE.match(fields["alarm"]):
            self.refuse(400, "There is no such alarm. Nothing was changed.")
        return Act(
            kind,
            fields["place"],
            by,
            alarm=fields["alarm"],
            span_s=self.number(fields["minutes"]) * 60.0 + self.number(fields["seconds"]),
            value=fields["value"] or "off",
            note=fields["note"],
        )

    def number(self, text: str) -> float:
        """A plain number of at most five digits and a point; 0 for nothing."""
        if not text:
            return 0.0
        if not re.fullmatch(r"\d{1,5}(\.\d{1,2})?", text, re.ASCII):
            self.refuse(400, f"{text[:20]!r} is not a number of minutes. Nothing was changed.")
        return float(text)

    async def asked(self, act: Act) -> str:
        """The loop's answer in words."""
        loop = asyncio.get_running_loop()
        answered: asyncio.Future[ActDone] = loop.create_future()

        def hand_on(done: ActDone) -> None:
            loop.call_soon_threadsafe(_settle, answered, done)

        if not self.door.desk.ask(act, hand_on):
            return "Not done: too many acts wait already. Is the controller running?"
        try:
            done = await asyncio.wait_for(answered, WAIT_S)
        except TimeoutError:
            return "Handed over, but the controller has not answered yet. Look again in a minute."
        return f"Done: {done.text}." if done.done else f"Not done: {done.text}."


def _settle(answered: asyncio.Future[ActDone], done: ActDone) -> None:
    """Set the answer, unless nobody waits for it any more."""
    if not answered.done():
        answered.set_result(done)
