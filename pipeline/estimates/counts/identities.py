"""The identities that a site's counts must hold beside the main one, and counts that stand in the wrong column."""

from pipeline.estimates.counts.causes import Counts
from pipeline.estimates.counts.witness import Witness


def others(counts: Counts) -> list[str]:
    """The identities beside the main one that do not hold, in words."""
    found = []
    if counts.tape_total is not None and counts.tape_total != counts.ballots_counted:
        found.append(f"The results report says {counts.tape_total}, the count {counts.ballots_counted}.")
    if counts.backup_count is not None and counts.backup_count != counts.ballots_counted:
        found.append(f"The backup medium holds {counts.backup_count}, the count is {counts.ballots_counted}.")
    if counts.issued_more:
        net = (counts.ballots_issued or 0) - (counts.spoiled or 0)
        found.append(f"{net} ballots were issued and not spoiled, for {counts.checked_in} voters checked in.")
    stock = (counts.ballots_received, counts.ballots_issued, counts.unused)
    if None not in stock and counts.ballots_received != (counts.ballots_issued or 0) + (counts.unused or 0):
        found.append(
            f"{counts.ballots_received} blank ballots were received; {counts.ballots_issued} issued and "
            f"{counts.unused} unused do not add up to that."
        )
    return found


def by_the_log(counts: Counts, witness: Witness) -> list[str]:
    """Where the units' own totals differ from the reported counts: told, but no identity of the contract."""
    found = []
    read, checked = witness.scanners_read, witness.books_checked_in
    if read is not None and counts.ballots_counted is not None and read != counts.ballots_counted:
        found.append(f"The scanners' own counters come to {read} by their last reports.")
    if checked is not None and counts.checked_in is not None and checked != counts.checked_in:
        found.append(f"The poll books' own totals come to {checked} by their last reports.")
    return found


def misplaced(counts: Counts) -> str | None:
    """A pair of counts that would fit if exchanged, or ballots that seem counted in two columns: a thing to check."""
    c = counts
    if c.checked_in is None or c.ballots_counted is None:
        return None
    if (
        c.issued_more
        and None not in (c.ballots_issued, c.unused)
        and (c.unused or 0) - (c.spoiled or 0) == c.checked_in
    ):
        return "Issued and unused ballots look exchanged: unused less spoiled is the number checked in."
    if (
        c.issued_more
        and None not in (c.ballots_issued, c.provisional)
        and (c.ballots_issued or 0) - (c.provisional or 0) == c.checked_in
    ):
        return "Spoiled and provisional ballots look exchanged: issued less provisional is the number checked in."
    emergency = c.emergency_counted or 0
    if emergency and c.difference == -emergency and c.tape_total == c.ballots_counted - emergency:
        return "The emergency ballots look counted twice: they are in the ballots counted already."
    return None
