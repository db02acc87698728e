"""The rules about the share itself: is it there, is it the one it was, was it looked at? Pure."""

from __future__ import annotations

from datetime import timedelta

from guard.model import Finding, Question, ShareFacts
from guard.rules.evidence import seconds, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import Standing
from guard.units import in_words


def is_in_doubt(share: ShareFacts) -> bool:
    """Whether what is on the share cannot be told: it cannot be read, or is not known to be the right one."""
    return share.unreadable is not None or share.vanished > 0 or share.marker in ("other", "gone")


def share_offline(at: Standing, _question: Question) -> Outcome:
    """Unknown where the share or the arm's folder could not be read."""
    unreadable = at.facts.share.unreadable
    if unreadable is None:
        return SILENT
    message = f"The share cannot be read: {unreadable}."
    remedy = "Bring the share back, then ask again."
    seen = utc(at.facts.share.seen_at)
    return Outcome((finding("share-offline", "unknown", message, remedy, reason=unreadable, seen_at=seen),))


def share_doubt(at: Standing, _question: Question) -> Outcome:
    """Unknown where this may not be the share it was; caution where it never had a marker."""
    share = at.facts.share
    if share.unreadable is not None:
        return SILENT
    if share.vanished:
        message = f"Nearly everything vanished at once: {share.vanished} sets that were there are not seen."
        remedy = "Check that the right share is mounted. If the loss is real: guard look --accept-vanished"
        return Outcome((finding("share-doubt", "unknown", message, remedy, vanished=share.vanished),))
    if share.marker == "other":
        message = "The marker on the share is another share's."
        remedy = "Mount the right share. If this one is meant from now on: guard init --share PATH --adopt"
        return Outcome(
            (finding("share-doubt", "unknown", message, remedy, marker="other", found=share.other_identity),)
        )
    if share.marker == "gone":
        message = "The share had a marker and has none now: it may be empty, or another share."
        remedy = (
            "Mount the right share. If this is the right one: guard init --share PATH --adopt writes the marker anew."
        )
        return Outcome((finding("share-doubt", "unknown", message, remedy, marker="gone"),))
    if share.marker == "never":
        message = "The share never had a marker, so another share in its place would not be noticed."
        remedy = "Run: guard init --share PATH"
        return Outcome((finding("share-doubt", "caution", message, remedy, marker="never"),))
    return SILENT


def share_unseen(at: Standing, _question: Question) -> Outcome:
    """Unknown where the facts are too old, of an unknown age, or from the future."""
    seen, as_of, limit = at.facts.share.seen_at, at.facts.as_of, at.facts.limits.unseen_after
    if seen is not None and seen <= as_of and as_of - seen <= limit:
        return SILENT
    if seen is None:
        message = "The share was never looked at."
    elif seen > as_of:
        message = "When the share was last looked at cannot be believed: this computer's clock was set back."
    else:
        message = f"The share was last looked at {in_words(as_of - seen)} ago; {in_words(limit)} is allowed."
    age = None if seen is None else seconds(as_of - seen)
    return Outcome((finding("share-unseen", "unknown", message, "Run: guard look", age_s=age, limit_s=seconds(limit)),))


def doubt(at: Standing) -> Finding | None:
    """The finding about the share that makes every verdict unknown; None where the share is in order."""
    question = Question("power-down", at.facts.as_of, timedelta())  # none of these rules looks at what is asked
    found = [each for rule in (share_offline, share_doubt, share_unseen) for each in rule(at, question).findings]
    return next((each for each in found if each.level == "unknown"), None)
