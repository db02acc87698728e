"""Every finding code: what it means, why it matters, which levels it can have, what to do. Pure.

A code once shipped keeps its meaning.
"""

from __future__ import annotations

from datetime import datetime

from guard.model import Finding, Level
from guard.record import Record


class Explanation(Record):
    """What ``guard explain`` tells about one code."""

    title: str
    meaning: str
    why: str
    levels: tuple[tuple[Level, str], ...]
    remedy: str


class Outcome(Record):
    """What one rule says at one moment, and the next moment at which it may say something else."""

    findings: tuple[Finding, ...] = ()
    turns_at: datetime | None = None


SILENT = Outcome()


def finding(
    code: str,
    level: Level,
    message: str,
    remedy: str,
    turns_at: datetime | None = None,
    **evidence: object,
) -> Finding:
    """A finding whose code is explained and may have this level."""
    if level not in dict(EXPLANATIONS[code].levels):
        raise AssertionError(f"{code} never has the level {level}")
    return Finding(code, level, message, remedy, evidence, turns_at)


EXPLANATIONS: dict[str, Explanation] = {
    "no-backup": Explanation(
        "There is no backup",
        "The share holds no settled backup set of this arm.",
        "If the controller loses its memory, the arm is taught again from nothing.",
        (("hold", "no settled set at all"),),
        "Save a backup of the arm to the share, then run: guard look, and: guard prove --due",
    ),
    "incomplete-set": Explanation(
        "A set lacks a part",
        "A set lacks a part of its recipe, a part does not pass its checks, or the set does not tell which controller it"
        " was saved from where the recipe names a file that must.",
        "Without the image a lost controller is rebuilt by hand; without the axis zero references"
        " the arm must be re-zeroed with fixtures.",
        (
            ("hold", "the arm has no complete set"),
            ("caution", "a newer set is incomplete, an older complete one carries the answer"),
        ),
        "Save the arm again with all parts. `guard sets ARM` lists what is missing.",
    ),
    "damaged-set": Explanation(
        "A set is damaged",
        "A file of a set that was complete has changed or is missing since it was read.",
        "A set that changes after it was proven cannot be restored with confidence, and whatever"
        " changed it may reach the others.",
        (
            ("hold", "no other set can carry the answer"),
            ("caution", "another set carries the answer"),
        ),
        "Save a new backup under a new name, keep the damaged set aside for whoever looks for the"
        " cause. `guard prove SET` reads it once more and tells what differs.",
    ),
    "stale-backup": Explanation(
        "The backup is too old for this event",
        "The set would be older at the start of the event than the configuration allows, or its"
        " age cannot be believed.",
        "What was taught since the capture is in no backup.",
        (("hold", "older at the event's start than [fresh] allows, or of unknown age"),),
        "Save a backup close enough before the event, then run: guard look, and: guard prove --due",
    ),
    "edited-since": Explanation(
        "The arm was changed after the backup",
        "Somebody marked an edit of this arm that is later than the capture time of the set.",
        "The backup lacks that edit, however young it is.",
        (("hold", "an edit mark later than the capture time"),),
        "Save a backup made after the edit.",
    ),
    "not-read-back": Explanation(
        "The backup was not read back lately",
        "A set counts as proven once it was read a second time with every digest equal, and that proof ages.",
        "A disk can lose what it once held; only reading tells.",
        (("hold", "no complete set was ever read back, or the last time is too long ago"),),
        "Run: guard prove --arm ARM",
    ),
    "too-few-copies": Explanation(
        "Too few further copies",
        "Fewer further places than configured hold an identical set.",
        "One disk, one mistake, one fire: a single copy is lost at once. Published practice is"
        " three copies on two media, one of them elsewhere.",
        (("caution", "fewer identical copies than share.copies-needed"),),
        "Copy the set to the further places, then run: guard look. A damaged copy that was replaced counts again after:"
        " guard prove SET, which reads the set and its copies back.",
    ),
    "wrong-arm": Explanation(
        "A set seems to belong to another arm",
        "The set names another controller, or its axis zero references or image equal those of another arm's set.",
        "Another arm's axis zero data moves an arm elsewhere than taught. People can be hurt.",
        (("hold", "until a person has settled which arm the content belongs to"),),
        "Find out which arm the content was saved from, move the wrong set out of the share, and"
        " save the other arm again. Never restore such a set before that.",
    ),
    "refiled-copy": Explanation(
        "An old backup was filed again",
        "Every saved byte of the set equals an older set, volatile parts included, so it is that old backup and has its"
        " age, however it was packed and whatever list of checksums came to it.",
        "A copy under today's date looks fresh and is not.",
        (("caution", "a set equals an older one of the same arm in every byte"),),
        "Save the controller anew instead of copying the folder.",
    ),
    "clock-doubt": Explanation(
        "A time cannot be right",
        "The stamp in the set's name lies in the future or in the distant past, or a clock was set back.",
        "Ages computed from a wrong clock are wrong.",
        (("caution", "a stamp is not believed; the other times are used"),),
        "Set the controller's clock and this computer's clock right, then save again.",
    ),
    "mixed-times": Explanation(
        "Parts were saved at different times",
        "The parts of one set were written far apart.",
        "Programs of one day with settings of another may not fit together.",
        (("caution", "parts further apart than limits.parts-apart"),),
        "Save all parts in one go.",
    ),
    "axis-zero-moved": Explanation(
        "The axis zero references changed",
        "The axis zero content differs from the set before, and no re-zeroing was marked in between.",
        "Either the arm was re-zeroed and nobody noted it, or its references were lost or mixed up;"
        " an arm with wrong references moves elsewhere than taught.",
        (("caution", "axis zero content changed with no re-zeroed mark between"),),
        "If the arm was re-zeroed: guard mark re-zeroed ARM --at WHEN. Otherwise find the cause"
        " before relying on either set.",
    ),
    "shrunk-set": Explanation(
        "The set is much smaller than the one before",
        "The set has far fewer programs or bytes than the set before it.",
        "A save that broke off can look complete.",
        (("caution", "fewer by limits.shrink or more"),),
        "Compare the two: guard compare SET SET. If programs were not deleted on purpose, save again.",
    ),
    "unsettled-newer": Explanation(
        "A newer set is not ready",
        "A newer set is still arriving, has not been looked at, or was not read back yet.",
        "Until then the answer rests on an older set.",
        (("caution", "a newer set is still arriving or not yet read back"),),
        "Let the copy finish, then run: guard look, and: guard prove --due",
    ),
    "restore-test-due": Explanation(
        "A restore test is due",
        "No restore test of this arm was recorded within the configured span.",
        "Only a restore shows that a backup restores.",
        (("caution", "the last restore test is too long ago, or none was recorded"),),
        "Restore a set as the machine maker's manual says, on a spare controller or at a planned"
        " stop, then run: guard mark restore-test ARM",
    ),
    "odd-entry": Explanation(
        "Something lies there that does not belong",
        "The arm's folder holds an entry that fits no layout, or a set holds links, devices, names that leave it, or"
        " files named as a copy leaves them that did not finish.",
        "A backup under a mistyped name is not seen as one; links and such are not followed; what a copy did not"
        " finish is missing in the set.",
        (("caution", "an entry that is no set, or a set's entry that is no plain file"),),
        "Rename an entry so that it fits the layout, or move it out of the arm's folder. Where a set itself holds it,"
        " save the arm again without it.",
    ),
    "window-open": Explanation(
        "The memory cell is out",
        "A swap window of the arm is open: somebody began to change its memory cell and has not ended it.",
        "While the cell is out, a capacitor alone carries the memory, for about as long as window.limit, or as its"
        " hold-up table tells where that is shorter.",
        (("hold", "from guard swap begin on, until the window is closing"),),
        "Seat the new cell, then run: guard swap end ARM --by NAME. How long it has been out: guard swap show ARM",
    ),
    "window-closing": Explanation(
        "The memory cell must go in now",
        "The memory cell has been out for window.closing of the limit, or longer.",
        "Past the limit the memory may be gone, with every taught position in it.",
        (("hold", "from window.closing of the limit on, the limit included"),),
        "Seat the new cell at once, then run: guard swap end ARM --by NAME",
    ),
    "window-over": Explanation(
        "The memory cell was out for too long",
        "The memory cell has been out for longer than window.limit, or than the hold-up where that is shorter.",
        "Take the memory for lost until it was compared with the backup. An arm that runs with half of a memory"
        " moves elsewhere than taught.",
        (("hold", "longer than the limit with which the change was begun"),),
        "Seat the new cell, run: guard swap end ARM --by NAME, and have the set ready that guard swap show ARM names.",
    ),
    "awaiting-proof": Explanation(
        "Nobody knows yet whether the memory is whole",
        "The memory cell was changed, or a power-down was marked, and no proven set that was saved after it was compared"
        " with the set from before it.",
        "Until the controller was saved again and that was read back, a loss in between is not noticed, and"
        " the only proof of what was there is the set from before it. Where no set was ever there before, the first"
        " proven one is the first that tells.",
        (
            ("hold", "before a power-down or a memory-swap"),
            ("caution", "before everything else"),
        ),
        "Power the arm on, look it through, save it, then run: guard look, and: guard prove --arm ARM. The new set is"
        " then compared with the one from before by itself. Where the set from before is not known, or a name that tells"
        " only the day makes a new set look older, a named person can say that all of it is right: guard mark"
        " memory-checked ARM --set SET --by NAME --note WHY",
    ),
    "memory-differs": Explanation(
        "The memory is not what it was",
        "A set that was saved after a change of the memory cell, or after a power-down that was marked, differs from"
        " the set from before it, volatile files aside.",
        "Programs, settings or axis positions may have been lost. With wrong axis zero references an arm moves"
        " elsewhere than taught, and people can be hurt.",
        (("hold", "until a later set equals the one from before, or a named person has checked the memory"),),
        "See what differs: guard compare SET SET. What was lost, restore as the machine maker's manual says, save the arm"
        " again, and run: guard look, and: guard prove --arm ARM. If people made every difference: guard mark"
        " memory-checked ARM --set SET --by NAME --note WHY, and where the axis zero references differ also: guard mark"
        " re-zeroed ARM --at WHEN. An edit mark alone ends nothing, since an edit would hide a loss; a sign-off only"
        " lasts for a while.",
    ),
    "not-powered-long-enough": Explanation(
        "The controller was not powered for long enough",
        "A memory cell is changed only after the controller was powered for window.powered-before.",
        "While the cell is out, a capacitor carries the memory, and it must have been charged.",
        (
            ("hold", "known to be on for too short a time, or known to be off"),
            (
                "hold",
                "by its hold-up table the capacitor carries the memory for less than half of what it can, fully charged",
            ),
            ("hold", "not known, and by its hold-up table the capacitor needs longer than that"),
            ("hold", "silent after being on for too short a time, or for so long that its capacitor has run down"),
            ("caution", "not known"),
            ("caution", "a power-down is planned that is over for too short a time by then"),
        ),
        "Keep the arm powered for that long. What no monitor sees, record: guard mark powered-on ARM --at WHEN",
    ),
    "power-must-stay-on": Explanation(
        "The power would be off while the position cells are changed",
        "The position cells would be changed while the power is known to be off, or while a power-down or a change of"
        " the memory cell is planned.",
        "With the mains off the position cells alone keep the axis positions; without them the arm must be re-zeroed"
        " with fixtures.",
        (
            (
                "hold",
                "a position-swap while the power is off, known or planned; likewise what would take the power away",
            ),
        ),
        "Plan the two apart, and record what is: guard mark powered-on ARM. How work is done with the power on is up to"
        " the site's energy control procedure.",
    ),
    "event-conflict": Explanation(
        "Planned events contradict each other",
        "On the same arm, at the same time, events are planned that do not go together: a visit or a change of the"
        " memory cell within a power-down, or two events of one kind with other times; or one person shall work on two"
        " arms at once.",
        "One of them will not be done as planned, and each is judged as if it came alone.",
        (
            ("caution", "what is asked about contradicts what is planned at the same time"),
            (
                "caution",
                "a planned event is judged, and another one is of its kind with other times, or wants its people",
            ),
        ),
        "Move one of them, or drop the one that is wrong: guard event list, and: guard event drop ID",
    ),
    "cell-age-unknown": Explanation(
        "The age of a cell is not known",
        "The arm lists a cell without the date on which it was installed, or lists no cells.",
        "A lithium cell gives no sign before it is empty, so its age is what tells when to change it.",
        (
            ("unknown", "a listed cell has no installed date, or one that has not come yet"),
            ("caution", "the arm lists no cells, or the action replaces that very cell"),
        ),
        'Write into the arm\'s table of the configuration what it has: cells = [ { type = "memory-cell", installed ='
        " 2025-03-14 } ]. What is changed from now on, record: guard mark cell-changed ARM --cell TYPE",
    ),
    "cell-due-soon": Explanation(
        "A cell is due soon",
        "A cell has reached 90 % of the interval after which its type is changed, or the interval ends in the time without mains.",
        "There is time left to order a cell, and to choose a stop that is planned anyway.",
        (
            (
                "caution",
                "from 90 % of the interval on, the interval included; also where it ends in the time without mains",
            ),
        ),
        "Plan its change: guard event add. What is due, and what to buy: guard cells --due-within 90d",
    ),
    "cell-overdue": Explanation(
        "A cell is overdue",
        "A cell is older than the interval after which its type is changed.",
        "Nobody can tell how long it still holds up what it is there for.",
        (
            ("hold", "older than the interval"),
            ("caution", "older than the interval, and the action replaces that very cell"),
        ),
        "Leave the power on, save a backup, and change the cell: guard ask --arm ARM --action memory-swap, or position-swap",
    ),
    "cell-alarm": Explanation(
        "The controller has told of a low cell",
        "Somebody marked a low-cell alarm, and no change of a cell was recorded since.",
        "After the alarm the cell may not carry the memory through the next time without mains.",
        (
            ("hold", "a cell-alarm mark with no later cell-changed mark of that cell, or of each where it names none"),
            (
                "caution",
                "the same, and the action replaces that very cell; all cells of the arm where nobody said which",
            ),
        ),
        "Leave the power on, save a backup, and change the cell. A memory cell: guard swap begin ARM. Other cells, once"
        " they are changed: guard mark cell-changed ARM --cell TYPE",
    ),
    "charge-short": Explanation(
        "The charge of a cell may not last",
        "The time without mains would take a large part of what the cell is expected to hold by then.",
        "A cell has less than its data sheet says more often than more.",
        (
            ("caution", "from loss.charge-caution of the charge on; also where the action replaces that very cell"),
            ("hold", "from loss.charge-hold of the charge on"),
        ),
        "Leave the mains on, make the time off shorter, or change the cell before. How much is left: guard cells",
    ),
    "loss-likely": Explanation(
        "The memory may be lost",
        "The chance that the cell does not carry the memory through the time off is too large: its charge, the spread"
        " of its figures, and how often cells fail at random.",
        "The expected loss in hours of work is that chance times the hours that a loss would cost.",
        (
            ("caution", "from loss.loss-caution on; also where the action replaces that very cell"),
            ("hold", "from loss.loss-hold on"),
        ),
        "Leave the mains on, make the time off shorter, or change the cell before. How much is left: guard cells",
    ),
    "old-when-put-in": Explanation(
        "A cell was past its shelf life when it was put in",
        "By its date code a cell was older than the shelf life of its type on the day on which it was put in.",
        "A cell loses charge on the shelf, and one that lay too long may fail sooner than its figures say. What it"
        " lost is counted already; whatever else time has done to it is not.",
        (("caution", "older on the day of its change than the shelf life that the configuration tells"),),
        "Plan a change of the cell, and put a wrong date code right: guard mark --correct N --date-code YYYY-MM",
    ),
    "spare-missing": Explanation(
        "No usable spare cell is known to be in stock",
        "A cell shall be changed, and no spare of its type within its shelf life is in stock, or nobody ever counted"
        " the spares or told when they were made.",
        "Once the old cell is out the clock runs, and it is too late to find out that there is no new one.",
        (
            ("hold", "none is left of what was counted, or all of it is past its shelf life"),
            ("caution", "never counted, or the type has a shelf life and nobody told when the spares were made"),
        ),
        "Have a new cell ready, and record what is in stock: guard cells stock TYPE COUNT --date-code YYYY-MM",
    ),
    "share-offline": Explanation(
        "The share cannot be read",
        "The backup share, or this arm's folder on it, cannot be read.",
        "Backups that cannot be read cannot be restored, and what is known of them only gets older.",
        (("unknown", "the share or the arm's folder cannot be read"),),
        "Bring the share back, then ask again.",
    ),
    "share-doubt": Explanation(
        "This may not be the share it was",
        "The share's marker is gone or another's, nearly everything vanished at once, or the share never had a marker.",
        "An empty mount point looks like a share whose backups were deleted.",
        (
            ("unknown", "another share's marker, the marker gone, or nearly everything vanished"),
            ("caution", "the share never had a marker"),
        ),
        "Check that the right share is mounted. If it is, and meant to be so: guard init --share PATH writes its"
        " first marker, with --adopt too where that is gone or another's; guard look --accept-vanished believes the loss.",
    ),
    "share-unseen": Explanation(
        "The share has not been looked at lately",
        "What is known of this arm is older than share.unseen-after and could not be refreshed.",
        "Old knowledge of backups is no knowledge.",
        (("unknown", "the facts are too old and could not be refreshed while answering"),),
        "Run: guard look",
    ),
}
