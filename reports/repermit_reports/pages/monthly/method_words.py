"""Methods, assumptions and the glossary of the monthly page, in words."""

from __future__ import annotations

from repermit.studies.location.sharing import ASSUMPTION
from repermit_reports.pages.monthly import by_age, lives, worse
from repermit_reports.pages.monthly.shops import METHOD as SHOPS
from repermit_reports.pages.outlook import METHOD as OUTLOOK
from repermit_reports.pages.words import ONLY_WHAT_STOPS

METHODS = (
    "Rates are faults over exposure of the trailers that have the position. Limits are 95 % gamma limits for the long-run rate of such trailers, widened where trailers differ (Garwood 1936; Fay and Feuer 1997); with fewer than 5 trailers they are exact Poisson limits and speak of these trailers only.",
    "A month is a signal outside 3-sigma limits of a u chart around the rate of the months before it (ISO 7870-2), widened where months scatter more than chance (Laney 2002) and for what is not known of that rate; month-of-year factors are shrunken. A lasting shift is shown by a cumulative sum (ISO 7870-4; Page 1954; Lucas 1985) tuned to half as many again or a third fewer.",
    "A month against the one before it, and a cause against its months before: exact conditional test of two rates (Breslow and Day 1987), counts taken as so much fewer as the year's faults scatter more than chance, p by cause adjusted for the number of causes (Holm 1979). It knows no season.",
    "Faults whose finding is not recorded are shared out over the cells that the chain rules allow by maximum likelihood (Dempster, Laird and Rubin 1977; Miyakawa 1984), with rates by cause and first, middle or last position, and what testers name, from the faults whose finding is recorded; so counts need not be whole. The limits allow for it, by resampling trailers; hours and cost are by cause as recorded.",
    by_age.METHOD,
    lives.METHOD,
    "Found against indicated: shares with score limits (Wilson 1927), agreement beyond chance as kappa (Cohen 1960). That a shop repeats the tester is told from its share at the named position against that of the other shops for like indications.",
    "Lanes: refusals cleared without a repair, of the same trailers in the same months on this lane and on others, by conditional tests within trailer and month, adjusted for the number of lanes (Benjamini and Hochberg 1995).",
    "Fixes: the risk of a fault at the same position after the return, other faults competing (Aalen and Johansen 1978). Where the place of the next fault is not recorded it counts with the probability of being the same.",
    SHOPS,
    worse.METHOD,
    "Before and after a change: each trailer's level is gamma about that of all and each month has its own; what is expected after follows from them, with variance clustered by trailer (Hauer 1997, from memory; Gaver and O'Muircheartaigh 1987).",
    OUTLOOK,
)
ASSUMPTIONS = (
    "A load with a day but no time may have been at any moment of that day.",
    f"{ASSUMPTION} They stay a finding of their own, without a position. A fault of which too little is known to share it out stays in the row not known.",
    "Days at risk are days in service less days in the shop; idle days count, as weather and corrosion do not stop.",
    ONLY_WHAT_STOPS,
)
GLOSSARY = (
    ("comeback", "the next fault of a trailer at the position of a repair; back within 90 days of the return, where not said otherwise"),
    ("cleared", "a refusal after which the trailer loaded without a repair, on trying again or on another lane"),
    ("episode", "refusals of one trailer for an equipment reason that belong together, with the visits that followed; one trip from lane to lane is one episode"),
    ("exposure", "what faults are counted over: completed loads, or days at risk"),
    ("failure", "the event in which an item loses the ability to do what is required (IEC 60050-192, from memory)"),
    ("fault", "the state after a failure (IEC 60050-192, from memory). Here one is counted for each episode of a trailer that was repaired or is unresolved, at its start"),
    ("indicated position", "the position that the tester named; where the fault was found is another matter"),
    ("interval", "after a value, in brackets: what the records leave open. It holds the true value in 95 of 100 such cases"),
    ("mean time between faults", "exposure over faults, of a repairable trailer; not the life of a sensor, which ends once"),
    ("near miss", "a refusal with liquid on the sensor: the system did what it is for. Counted apart, never as a fault"),
    ("position", "the place of a sensor in the chain, 1 the first; 0 or trailer level is the socket and the ground circuit"),
    ("shared out", "said of a fault whose finding is not recorded and that counts in parts wherever it may have been"),
    ("signal", "a month outside what chance brings around the months before it"),
    ("stuck dry", "said of a sensor that does not detect liquid. It never refuses a load; only a function test shows it"),
    ("unresolved", "an episode without a repair and without a load since"),
    ("visit, no fault found", "a visit in which the shop looked and found nothing; not the same as a finding that is not recorded"),
)  # fmt: skip
