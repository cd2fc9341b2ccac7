"""What a power note reports, told by its words: the first event that fits counts.

A note of a generator may speak of the outage, and a note of the return of what it was; hence the order. Wording: common
practice, no source. A county's own words can be added to the lists.
"""

import re

FLICKER = r"""
flick\w*
blink\w*
hic+up\w*
blip\w*
surge[sd]?
momentar\w*
brief(?:ly)?
few\s+se?c\w*
sec(?:ond)?s?\s+only
brown\s?out\w*
dip(?:ped|s)?
rode\s+th\w*
for\s+a\s+(?:sec|moment)\w*
quick\s+(?:drop|loss|off)
dim(?:med|s|ming)?
bump(?:ed|s)?
"""
BATTERY_LOW = r"""
batt\w*\s+(?:is\s+|are\s+|very\s+|getting\s+|gone\s+)*(?:low|warn\w*|dying|critical|nearly|almost|red|dead|empty|drain\w*)
low\s+batt\w*
beep(?:s|ing)?\b.{0,24}(?:left|%|percent|\d)
need\w*\s+(?:a\s+)?gen\w*
(?:about|abt|going)\s+to\s+die
dying
wo(?:nt|n't)\s+last
will\s+not\s+last
batt\w*\s+(?:is\s+|now\s+)*down\s+to
running\s+out
almost\s+(?:dead|gone|out)
"""
GENERATOR = r"""
(?<!longer\son\s)(?<!off\s)(?<!off\sthe\s)gen(?:erator|ny|set|\s?set|s)?
"""
RESTORED = r"""
restor\w*(?!\s+(?:by|est|expected|at\s+\d|around|time|in\s))
(?:is|are|came|come|pwr|power|powre|lights?|everything|all|now|we(?:'re|\s+are)?)\s+back
back\s+on(?:line|\s+line|\s+mains|\s+grid|\b(?!\s*by))
back\s+(?:up|now|at\s+\d|to\s+normal|feeder|ckt|circuit|cct)
back\s*[.!]?$
ok(?:ay)?\s+(?:now|again)
all\s+(?:ok|good|clear|fine)
has\s+(?:power|pwr|lights|ac)
(?:live|on|up)\s+again
re-?energi[sz]ed
power\s+(?:is\s+)?on
closed\s+t\w*ket
on\s+@
mains\s+(?:are\s+|is\s+)?(?:back|on|ok)
is\s+ok
ok\s*[.!]?$
fixed
normal\s+(?:power|again)
outage\s+(?:over|ended|cleared)
"""
LOST = r"""
out(?:age)?
off
dark
down
l[ou]?st
loss
no\s+(?:power|pwr|lights?|ac|a/c|mains|juice|elec\w*|current)
on\s+(?:its\s+|the\s+)?(?:batt\w*|backup|ups)
batt\w*\s+(?:now|only|power)
(?:running|everything|machines?|scanner)\b.{0,16}\b(?:batt\w*|backup)
fail\w*
black\s?out
trip\w*
unplug\w*
dead
blew
blown
poles?
transformer
cut
without\s+(?:any\s+)?(?:power|pwr|lights?|electricity|juice|current|mains)
(?:power|pwr|lights?|electricity|juice)\s+(?:just\s+|all\s+)?(?:died|quit|gone|failed|went(?!\s+on\b))
batt
"""


def any_of(forms: str) -> re.Pattern[str]:
    """One pattern of a list of forms, one a line, each beginning at a word."""
    return re.compile(rf"(?<!not )(?<!no )\b(?:{'|'.join(forms.split())})(?!\w)", re.I)


EVENTS = (
    ("flicker", any_of(FLICKER)),
    ("battery-low", any_of(BATTERY_LOW)),
    ("generator", any_of(GENERATOR)),
    ("restored", any_of(RESTORED)),
    ("lost", any_of(LOST)),
)
