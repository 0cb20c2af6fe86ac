"""What a column, signal or key most likely stands for: by words of its name, held against its values.

Words of English and German shops, some of French, Italian and Spanish ones. A guess is only that: it is shown before
it is used, and what nobody recognises stays unmapped rather than being called something it is not.
"""

import re
from collections.abc import Iterable
from typing import Final

from runlog.inspect.words import VALUES
from runlog.intake.vocabulary import STANDARD, unmapped
from runlog.site import Key

_FEEDER: Final = r"feeder|magazine|lader|stangenlader|lademagazin|barfeeder|bar|stange|loader"
_PARTS: Final = (
    r"parts?|partcount\w*|pcs|pieces?|workpieces?|count|counter|qty|quantity|teile|stueck|stuckzahl|stueckzahl|zaehler|"
    r"werkstuecke?|pieces|pezzi|piezas|produced|output|pcnt|partcnt"
)
_RULES: Final[tuple[tuple[str, str, str, str, str], ...]] = (
    # words of the name, item, sub type, component, type of a condition
    (r"\b(e ?stop|emergency|not ?aus|not ?halt|arret urgence)\b", "EMERGENCY_STOP", "", "path", ""),
    (rf"\b({_FEEDER})\b.*\b(al|alarm|fault|error|cond|condition|stoerung|fehler)\b",
     "CONDITION", "", "feeder", "ACTUATOR"),
    (r"\blogic\b", "CONDITION", "", "path", "LOGIC_PROGRAM"),
    (r"\b(servo|drive)\b.*\b(alarm|fault|error|cond)\b", "CONDITION", "", "path", "ACTUATOR"),
    (r"\b(al|alarms?|faults?|errors?|cond|condition|stoerung|fehler|system|warning|alarme)\b",
     "CONDITION", "", "path", "SYSTEM"),
    (r"\b(end of bar|eob|bar end|bar empty|stangenende|fin de barre|endofbar)\b", "END_OF_BAR", "", "feeder", ""),
    (r"\b(bars loaded|stangen geladen|bars in|barsloaded)\b", "BARS_LOADED", "", "feeder", ""),
    (r"\b(bar lot|heat|charge|lot)\b", "BAR_LOT", "", "feeder", ""),
    (r"\b(liner|fuehrungskanal)\b", "LINER", "", "feeder", ""),
    (r"\b(pusher|vorschubstange)\b", "PUSHER", "", "feeder", ""),
    (
        r"\b(material change|bar change|bar load\w*|reload\w*|stangenwechsel|change bar|mchg\w*|change|nachladen)\b",
        "MATERIAL_CHANGE", "RESPONSE", "feeder", "",
    ),
    (r"\b(remnant|restlaenge|rest|remaining length|bar left|length left|bar rest|len left|bar remaining)\b",
     "LENGTH", "REMAINING", "feeder", ""),
    (r"\blength\b.*\b(remaining|left)\b", "LENGTH", "REMAINING", "feeder", ""),
    (r"\b(bar length|stangenlaenge|length|laenge|bar len|bar mm)\b", "LENGTH", "STANDARD", "feeder", ""),
    (rf"\b({_PARTS})\b.*\b(left|remaining|togo|to go|rest)\b", "PART_COUNT", "REMAINING", "path", ""),
    (rf"\b(good|ok|gut|gutteile|iO)\b.*\b({_PARTS})\b|\b({_PARTS})\b.*\b(good|ok|gut)\b|\bgutteile\b",
     "PART_COUNT", "GOOD", "path", ""),
    (rf"\b(bad|scrap|rejects?|nok|ausschuss)\b.*\b({_PARTS})\b|\b({_PARTS})\b.*\b(bad|scrap|nok)\b|\b(ausschuss|scrap)\b",
     "PART_COUNT", "BAD", "path", ""),
    (rf"\b({_PARTS})\b.*\b(target|soll|planned|required|preset)\b|\b(target|soll)\b.*\b({_PARTS})\b",
     "PART_COUNT", "TARGET", "path", ""),
    (r"\b(sub ?program|unterprogramm|subprog)\b", "PROGRAM", "ACTIVE", "path", ""),
    (r"\b(prog\w*|nc)\b.*\b(comment|cmt|kommentar)\b", "PROGRAM_COMMENT", "", "path", ""),
    (r"\b(prog|program|programm|programme|ncprogram|ncprog|nc program|programa|programma|job)\b",
     "PROGRAM", "MAIN", "path", ""),
    (rf"\b({_PARTS})\b", "PART_COUNT", "ALL", "path", ""),
    (r"\b(mode|betriebsart|modus|opmode)\b", "CONTROLLER_MODE", "", "path", ""),
    (r"\b(exec|execution|run|running|in ?cycle|state|status|zustand|maschinenstatus|cycle|etat|stato|estado|betrieb)\b",
     "EXECUTION", "", "path", ""),
    (r"\b(door|doors|guard|tuer|porte|puerta)\b", "DOOR_STATE", "", "door", ""),
    (r"\b(operator|bediener|user|badge|login|worker)\b", "OPERATOR_ID", "", "path", ""),
    (r"\b(avail\w*|online|connected|connection|verbindung)\b", "AVAILABILITY", "", "path", ""),
    (r"\b(load|last|auslastung)\b", "LOAD", "", "", ""),
    (r"\b(s\d?|spindle|spindel|sp\d?)\b.*\b(ovr|override|ov)\b|\bsovr\b", "ROTARY_VELOCITY_OVERRIDE", "", "path", ""),
    (r"\b(feed|vorschub|f|rapid)\b.*\b(ovr|override)\b|\bfovr\b", "PATH_FEEDRATE_OVERRIDE", "PROGRAMMED", "path", ""),
    (r"\b(s\d?|rpm|srpm|speed|drehzahl|spindle speed|spindle|s1speed|s2speed|s\d?rpm)\b",
     "ROTARY_VELOCITY", "ACTUAL", "", ""),
    (r"\b(feed|feedrate|vorschub)\b", "PATH_FEEDRATE", "ACTUAL", "path", ""),
    (r"\b(temp|temperature|temperatur)\b", "TEMPERATURE", "", "", ""),
    (r"\b(tool|werkzeug|t)\b", "TOOL_NUMBER", "", "path", ""),
    (r"\b(chuck|collet|spannzange|futter)\b", "CHUCK_STATE", "", "main", ""),
    (r"\b(key|button|taste)\b", "KEY_PRESSED", "", "path", ""),
)  # fmt: skip
_SUB: Final = re.compile(r"\b(2|s2|sub|sub spindle|counter spindle|gegenspindel|sp2|s2rpm|s2speed)\b")
_FOLDED: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ê": "e", "à": "a"})
_MOST_WORDS: Final = 40
_OF_KNOWN: Final = 0.5
_NUMBER: Final = re.compile(r"^[+-]?[\d.,' ]*\d$")
_NUMERIC: Final = frozenset(
    {"PART_COUNT", "LENGTH", "ROTARY_VELOCITY", "LOAD", "TEMPERATURE", "BARS_LOADED", "PATH_FEEDRATE"}
)


def words_of(name: str) -> str:
    """A name as words in lower case, parted by blanks.

    Examples
    --------
    >>> words_of("PartCount_Good"), words_of("Stückzahl [Soll]")
    ('part count good', 'stueckzahl soll')
    """
    parted = re.sub(r"(?<=[a-zäöü])(?=[A-Z])", " ", name)
    return re.sub(r"[^a-z0-9]+", " ", parted.lower().translate(_FOLDED)).strip()


def guess_key(name: str, values: Iterable[str] = ()) -> Key | None:
    """What a name stands for, if its values do not speak against it; None if nothing fits.

    Parameters
    ----------
    name : str
        Of the column, signal or key.
    values : iterable of str
        Some of its different values; none if they are not known.

    Returns
    -------
    Key or None

    Examples
    --------
    >>> guess_key("Machine state", ["Running", "Idle"]).item
    'EXECUTION'
    >>> guess_key("Machine state", ["Bavaria", "Saxony"]) is None
    True
    """
    known = [value for value in values if value.strip()]
    words = words_of(name)
    for rule in _RULES:
        if re.search(rule[0], words) and fits(rule[1], known):
            return _key(rule, words)
    standard = unmapped(name)
    if standard.item in STANDARD:
        return Key(item=standard.item, sub_type=standard.sub_type)
    return _by_values(known)


def _key(rule: tuple[str, str, str, str, str], words: str) -> Key:
    _, item, sub_type, component, type = rule
    if item in ("ROTARY_VELOCITY", "LOAD"):
        component = "sub" if _SUB.search(words) else "main" if item == "ROTARY_VELOCITY" or "s1" in words else component
    return Key(item=item, sub_type=sub_type, component=component, type=type)


def fits(item: str, values: list[str]) -> bool:
    """Whether an item's values could look like these."""
    if not values:
        return True
    if item in _NUMERIC:
        numbers = sum(bool(_NUMBER.match(value.strip())) or is_unknown(value) for value in values)
        return numbers >= _OF_KNOWN * len(values)
    if item in VALUES and item != "CONDITION":
        recognised = sum(standard_value(item, value) is not None for value in values)
        return len(values) <= _MOST_WORDS and recognised >= _OF_KNOWN * len(values)
    return True


def standard_value(item: str, value: str) -> str | None:
    """The standard's word for a value of an item with listed values; None if it is not recognised.

    Examples
    --------
    >>> standard_value("EXECUTION", "Läuft"), standard_value("EXECUTION", "blue")
    ('ACTIVE', None)
    """
    listed = VALUES.get(item, {})
    if value.strip().upper() in listed.values() or is_unknown(value):
        return "UNAVAILABLE" if is_unknown(value) else value.strip().upper()
    return listed.get(words_of(value))


def is_unknown(value: str) -> bool:
    """Whether a value says that nothing is known."""
    return words_of(value) in VALUES[""]


def _by_values(values: list[str]) -> Key | None:
    """An item whose listed values these are, whatever it is called: at least two, and none of them a mere number."""
    words = [value for value in values if not _NUMBER.match(value.strip()) and not is_unknown(value)]
    if not 2 <= len(words) <= _MOST_WORDS or len(words) < len(values) - 1:
        return None
    for item, component in (("EXECUTION", "path"), ("CONTROLLER_MODE", "path"), ("DOOR_STATE", "door")):
        if all(standard_value(item, word) for word in words):
            return Key(item=item, component=component)
    return None
