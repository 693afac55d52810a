"""When batches are due and want testing, as entries of a calendar."""

from config.model import SiteInfo
from controller.agenda import Matter, calendar
from controller.batch_faces import basis, due_in_words
from controller.histories import HistoryBook
from controller.journal.reader import Reader
from controller.review.outlook import due_tests


def batch_calendar(reader: Reader, site: SiteInfo, now_s: float) -> tuple[bytes, int]:
    """Tests due and due windows of the open batches as an iCalendar file, and how many.

    now_s: UTC s up to which to look.  Raises JournalError.
    """
    book = HistoryBook(reader, now_s)
    matters: list[Matter] = []
    for number, batch in book.batches.items():
        due = book.outlook(number)
        if due is None:
            continue
        one = book.get(number)
        name = f"batch {number} {batch.plant} ({batch.bench}.{batch.bay})"
        where = f"{batch.cuttings} cuttings, trays {batch.trays or 'not given'}"
        if not due.rooted:
            text = f"{due_in_words(due, site.zone)}: {basis(due)}. {where}. A window, no promise."
            # A late one is shown up to today.
            end_s = max(due.to_s, book.now_s) if due.late else due.to_s
            matters.append(Matter(batch, "due", f"Due: {name}", text, due.from_s, end_s))
        done = sum(look.at_s <= book.now_s for look in one.looks)
        for turn, at_s in enumerate(due_tests(one, book.now_s, due.to_s), done + 1):
            # An overdue test belongs in today, where it will be seen.
            day_s = max(at_s, book.now_s) if turn == done + 1 else at_s
            text = f"Lift 5 to 10 from corners and middle and look for roots. {where}."
            matters.append(Matter(batch, f"test {turn}", f"Test: {name}", text, day_s, day_s))
    return calendar(site.name, site.zone, matters, book.now_s), len(matters)
