"""Words of the trade in headers and cells, and which field or word of ours they mean.

Common practice, no source: the words that registers and records of instrument shops use. Headers
are brought to a plain form first (``plain_header``), so that "S/P", "Set pt." and "SETPOINT" are
one word; each field lists its phrases in that form.
"""

from __future__ import annotations

import re
from functools import lru_cache

from calfleet.adapters.workbook.moving_map import TableKind

# --- headers in a plain form --------------------------------------------------------------

_BRACKETS = re.compile(r"[(\[{]([^)\]}]{1,40})[)\]}]")
_SHORT: tuple[tuple[str, str], ...] = (
    (r"prüfdatum|pruefdatum|geprüft am", "cal date"),
    (r"prüfer|pruefer|geprüft von", "technician"),
    (r"messstelle|messstellen nr|messstellennummer", "tag"),
    (r"messbereich|einstellbereich|bereich", "range"),
    (r"rückschaltpunkt", "reset"),
    (r"schaltpunkt", "switch point"),
    (r"zertifikat|kalibrierschein", "cert"),
    (r"raumtemperatur", "room temperature"),
    (r"seriennummer|seriennr|serien nr", "serial"),
    (r"(?:serial|ser) (?:no|number|nr|num)|s n|sn|ser|serial", "serial"),
    (r"as found|asfound|a f|af|found", "asfound"),
    (r"as left|asleft|a l|al|left", "asleft"),
    (r"set ?p(?:oin)?t|s p|sp|set value|setting|trip set|switch point setting", "setpoint"),
    (r"dead ?band|d b|db|hysteresis|differential setting|switching differential|diff", "deadband"),
    (r"certificate|cert|crt", "cert"),
    (r"calibrations?|calibrated|calib|cal", "cal"),
    (r"instruments?|instr|inst", "instrument"),
    (r"tolerances?|toler|tol|toleranz", "tolerance"),
    (r"temperature|temp|tmp", "temperature"),
    (r"description|descr|desc", "description"),
    (r"location|loc", "location"),
    (r"revision|rev", "revision"),
    (r"manufacturer|mfr|mfg|maker|make|brand", "maker"),
    (r"number|nr|num|nbr|n o", "no"),
    (r"technician|tech", "technician"),
    (r"procedures?|proc|method", "procedure"),
    (r"work order|w o|wo|job no|job number|order no", "workorder"),
    (r"uncertainty|unc|uncert", "uncertainty"),
    (r"humidity|rh|r h|rel humidity|relative humidity|hum|luftfeuchte|feuchte", "humidity"),
    (r"units?|uom|e u|eu|eng unit|engineering unit", "unit"),
    (r"minimum|min|lower|lo|low|from|lrv", "low"),
    (r"maximum|max|upper|hi|high|to|urv", "high"),
    (r"standards?|std|reference|ref|master", "reference"),
    (r"accuracy|acc|genauigkeit", "accuracy"),
    (r"resolution|resol|auflösung", "resolution"),
    (r"quantity|qty", "quantity"),
    (r"pressure|press", "pressure"),
    (r"differential pressure|d p|dp", "dp"),
    (r"date|dated|day|datum", "date"),
    (r"identification|ident|id|asset|equipment no", "id"),
    (r"remarks?|comments?|notes?|rmk|bemerkung(?:en)?", "remarks"),
    (r"returned|return to service", "returned"),
    (r"hazards?|danger", "hazards"),
)
_EXPAND = tuple((re.compile(rf"(?<= )(?:{words})(?= )"), short) for words, short in _SHORT)
LABELS = {
    "hhh": "HHH", "hh": "HH", "h": "H", "l": "L", "ll": "LL", "lll": "LLL",
    "high high": "HH", "low low": "LL",
}  # fmt: skip
_LABEL = re.compile(r"(?<= )(high high|low low|hhh|hh|h|lll|ll|l)(?= )")


@lru_cache(maxsize=4096)
def plain_header(text: str) -> str:
    """A header in the form in which phrases are listed; what stands in brackets is left out.

    >>> plain_header("S/P (bar)"), plain_header("Instr. No."), plain_header("A/F Trip")
    ('setpoint', 'instrument no', 'asfound trip')
    """
    plain = _BRACKETS.sub(" ", text.casefold()).replace("#", " no ")
    plain = re.sub(r"(?<=\w)\s*%\s*(?:of\s+)?[\w. ]*$", "", plain)
    plain = re.sub(r"[^\w%°±]+|_", " ", plain)
    plain = f" {' '.join(plain.split())} "
    plain = re.sub(r"(?<= )(high high|low low)(?= )", lambda m: LABELS[m[1]].casefold(), plain)
    for pattern, short in _EXPAND:
        plain = pattern.sub(short, plain)
    words = plain.split()
    return " ".join(word for i, word in enumerate(words) if i == 0 or word != words[i - 1])


@lru_cache(maxsize=4096)
def label_of(text: str) -> tuple[str, str]:
    """The label of a set point in a header, and the plain header without it ('' for none).

    >>> label_of("HH SP"), label_of("Low-Low set point"), label_of("Trip")
    (('HH', 'setpoint'), ('LL', 'setpoint'), ('', 'trip'))
    """
    plain = f" {plain_header(text)} "
    found = _LABEL.search(plain)
    if found is None:
        return "", plain.strip()
    rest = f"{plain[: found.start()]}{plain[found.end() :]}"
    return LABELS[found[1]], " ".join(rest.split())


_APART = re.compile(r"(?<=[^\W\d_])(?=\d\b)")
_ORDINALS = {"1st": "1", "first": "1", "2nd": "2", "second": "2", "3rd": "3", "third": "3"}


@lru_cache(maxsize=4096)
def number_of(text: str) -> tuple[str, str]:
    """The number of a set point in a header, and the plain header without it ('' for none).

    >>> number_of("Set point 2"), number_of("SP1 tol."), number_of("2nd set point")
    (('2', 'setpoint'), ('1', 'setpoint tolerance'), ('2', 'setpoint'))
    """
    words = plain_header(_APART.sub(" ", text)).split()
    found = [w for w in words if re.fullmatch(r"[1-9]", w) or w in _ORDINALS]
    if len(found) != 1:
        return "", " ".join(words)
    rest = " ".join(word for word in words if word != found[0])
    return _ORDINALS.get(found[0], found[0]), rest


def point_of(text: str) -> tuple[str, str]:
    """The number that a header gives after the word set point, and the plain header without both.

    >>> point_of("SP2 A/F trip"), point_of("A/F trip 2")
    (('2', 'asfound trip'), ('', 'asfound trip 2'))
    """
    plain = f" {plain_header(_APART.sub(' ', text))} "
    found = re.search(r" setpoint ([1-9])(?= )", plain)
    if found is None:
        return "", plain.strip()
    return found[1], " ".join(f"{plain[: found.start()]}{plain[found.end() :]}".split())


def brackets(text: str) -> list[str]:
    """What stands in brackets in a header, and its last word: there a unit may be."""
    found = [each.strip() for each in _BRACKETS.findall(text)]
    if "%" in _BRACKETS.sub(" ", text):
        found.append(text[text.index("%") :].strip(" )]."))
    words = re.split(r"[\s,;]+", _BRACKETS.sub(" ", text).strip())
    if len(words) > 1:
        found.append(words[-1])
        found.append(" ".join(words[-2:]))
    return found


# --- phrases of each field, the surest first ----------------------------------------------

_TAG = (
    "tag|tag no|instrument tag|switch tag|switch no|instrument no|switch|loop|loop no|tag id|"
    "position|instrument id|switch id|instrument"
)
_GAUGE = (
    "gauge|gauge no|gauge id|reference gauge|reference no|reference id|id|id no|no|"
    "reference|instrument no|instrument id|test gauge|tag|tag no|cal reference|reference equipment"
)
_SET_POINT = {
    "Label": "label|setpoint label|function|switch function|level|alarm level|stage",
    "Set point": "setpoint|required trip|nominal trip|trip setpoint|nominal|required|switch point|"
    "setpoint value",
    "Direction": "direction|acting|rising falling|trip direction|on|inc dec|sense|"
    "switch direction|dir|trip dir|up down|setpoint dir",
    "Tolerance": "tolerance|tolerance +|± tolerance|setpoint tolerance|allowed error|±|"
    "permissible error|accuracy|trip tolerance|tolerance band|asfound tolerance",
    "Tolerance minus": "tolerance minus|tolerance low|minus tolerance|low tolerance",
    "Tolerance plus": "tolerance plus|tolerance high|plus tolerance|high tolerance",
    "Tolerance basis": "tolerance basis|basis|tolerance type|tolerance of|tolerance unit",
    "Lower limit": "low limit|trip low|asfound low|low trip limit|setpoint low",
    "Upper limit": "high limit|trip high|asfound high|high trip limit|setpoint high",
    "As-left tolerance": "asleft tolerance|adjust tolerance|setting tolerance|asleft band",
    "As-left minus": "asleft minus|asleft low|asleft tolerance minus",
    "As-left plus": "asleft plus|asleft high|asleft tolerance plus",
    "Dead band": "deadband type|deadband kind",
    "Dead band range": "deadband|deadband range|deadband limit",
    "Dead band min": "deadband low|low deadband",
    "Dead band max": "deadband high|high deadband",
    "Repeatability limit": "repeatability|repeatability limit",
    "Contact form": "contact form|contact|contacts|contact type|switch contact|no nc|contact used",
    "Action": "action|consequence|trip action|effect|purpose",
    "Energised state": "energised state|energized state|fail safe|normal state|energised|"
    "energisation|circuit",
}  # fmt: skip
_CAL = {
    "calibration": "cal no|record no|report no|cal report no|cal record|cal id|report|record",
    "tag": _TAG,
    "performed_on": "date|cal date|date of cal|test date|date performed|performed on|date done|"
    "date tested|done on|work date|performed date|last cal|tested on",
    "performed_by": "technician|performed by|cal by|done by|tested by|by|initials|person|"
    "carried out by|operator|name",
    "procedure": "procedure|procedure no|procedure id|cal procedure",
    "procedure_revision": "procedure revision|revision|proc rev|issue|procedure issue",
    "operating_gauge": "reference|test gauge|gauge|reference gauge|gauge used|reference used|"
    "gauge no|reference no|cal reference|test equipment|reference equipment|operating gauge|"
    "reference id|gauge id|reference instrument",
    "operating_certificate": "cert|cert no|gauge cert|reference cert|reference cert no|"
    "gauge cert no|operating cert",
    "static_gauge": "static gauge|static pressure gauge|line pressure gauge|static reference",
    "static_certificate": "static cert|static gauge cert",
    "temperature_c": "temperature|ambient|ambient temperature|room temperature|air temperature|"
    "room °c|room",
    "humidity": "humidity|ambient humidity|% humidity|humidity %",
    "adjusted": "adjusted|adjustment|adj|adjustment made|adjusted y n|was adjusted",
    "adjustment_note": "adjustment note|what was adjusted|adjustment remarks|work done",
    "barometric": "barometric|barometric pressure|air pressure|atmospheric pressure|baro",
    "barometric_unit": "barometric unit|baro unit",
    "head_height_m": "head height|height difference|head|elevation difference",
    "head_density_kg_m3": "fluid density|density|head density",
    "exercised_before_as_found": "exercised before asfound|exercised before",
    "exercise_cycles": "exercise cycles|cycles|exercised|no of cycles",
    "contact_check": "contact check|contact resistance|contact test|contacts checked",
    "seal": "seal|seal no|sealed",
    "permit": "permit|permit no|permit to work|ptw|work permit",
    "bypass": "bypass|override|inhibit|bypass no",
    "returned_by": "returned by|returned to service by|restored by",
    "verified_by": "verified by|checked by|second person|witness|witnessed by|verifier",
    "work_order": "workorder|workorder no|job|job card|order|task no",
    "remarks": "remarks",
    "unit": "unit|pressure unit|unit of reading|reading unit",
    "set_point": "setpoint label|label|set point name|switch function|function|stage|level",
    "phase": "phase|asfound asleft|state|condition|stage of test|asfound or asleft",
    "run": "run|run no|cycle no|repeat|test run",
    "trip": "trip|trip point|operate|operates|actuation|actuates|switch point|switching point|"
    "trip reading|trip value|set|makes|on|trips|trip pressure|operated",
    "reset": "reset|reset point|re set|return|resets|reset reading|reset value|off|breaks|"
    "reset pressure|release",
    "static": "static|static pressure|line pressure|static reading",
    "outcome": "outcome|trip result",
}  # fmt: skip

PHRASES: dict[TableKind, dict[str, str]] = {
    TableKind.SWITCHES: {
        "Tag": _TAG, "Revision": "revision|data sheet revision|issue|sheet revision",
        "Effective on": "effective on|effective|effective date|valid from|in force from|"
        "revision date|date of revision|installed|installation date|date installed|date",
        "Reason": "reason|reason for change|change|revision note|why|why reason",
        "Serial number": "serial|serial no",
        "Area": "area|unit area|plant area|plant|location|system|plant unit|building|section",
        "Service": "service|description|service description|duty|application|function description",
        "Family": "family|type|switch type|model|model no|element|sensor|sensing element|kind",
        "Quantity": "quantity|measurand|measured quantity|variable|process variable|"
        "measured variable|responds to|parameter",
        "Unit": "unit|range unit|pressure unit|scale unit",
        "Range": "range|adjustable range|scale|span|instrument range|working range|setting range|"
        "range scale|adj range",
        "Range low": "range low|low range|scale low|low range value|range low value|range start",
        "Range high": "range high|high range|scale high|high range value|range end",
        "Line unit": "line unit|line pressure unit|proof unit",
        "Proof pressure": "proof pressure|proof|high working pressure|high pressure|overpressure|"
        "over pressure|overrange|over range|high static pressure|high safe pressure",
        "Static pressure": "static pressure|line pressure|static|working pressure|static nominal",
        "Medium": "medium|fluid|process fluid|process medium|media",
        "Criticality": "criticality|class|safety class|priority|importance|critical|crit",
        "Outage-bound": "outage bound|outage only|shutdown only|outage|outage required|"
        "needs outage|shutdown required",
        "Status": "status|in use|in service|service status|state of switch",
        "Interval policy": "interval policy|interval|cal interval|frequency|cal frequency|policy|"
        "period|cal period",
        "Procedure": "procedure|procedure no|procedure id|cal procedure",
        "Bench minutes": "bench minutes|minutes|duration|bench time|man minutes|work time|"
        "time required|planned minutes",
        "Hazards": "hazards|hazard|risk|risks", **_SET_POINT,
    },
    TableKind.SET_POINTS: {
        "Tag": _TAG, "Revision": "revision|data sheet revision", "Unit": "unit|pressure unit",
        **_SET_POINT,
    },
    TableKind.GAUGES: {
        "Gauge": _GAUGE, "Revision": "revision", "Effective on": "effective on|effective|"
        "effective date|valid from|purchased|purchase date|in use since|date|in service since",
        "Reason": "reason|reason for change|why|why reason", "Serial number": "serial|serial no",
        "Description": "description|type|name|gauge description|model|gauge type",
        "Status": "status|condition",
        "Mode": "mode|pressure mode|pressure type|kind|kind of pressure",
        "Unit": "unit|range unit|pressure unit|scale unit", "Range": "range|scale|span|"
        "instrument range", "Range low": "range low|low range|scale low",
        "Range high": "range high|high range|scale high",
        "Resolution": "resolution|readability|division|scale division|digit|graduation|"
        "scale interval",
        "Accuracy": "accuracy|accuracy ±|± accuracy|permissible error|class|error limit|"
        "accuracy class|allowed error",
        "Accuracy basis": "accuracy basis|basis|accuracy of",
        "Drift per year": "drift per year|drift|yearly drift|annual drift|stability per year",
        "Temperature coefficient": "temperature coefficient|temperature effect|temperature coeff",
        "Reference temperature": "reference temperature|cal temperature",
        "Use corrections": "use corrections|corrections|corrections used|corrected",
        "Tier": "tier|reference tier|rank|order",
        "Interval policy": "interval policy|interval|cal interval|frequency|policy|cal frequency",
        "Oxygen clean": "oxygen clean|oxygen|o2 clean|oxygen use|for oxygen",
        "Static limit": "static limit|line pressure limit|high static pressure",
        "Same-gauge correlation": "same gauge correlation",
        "Readable fraction": "readable fraction",
    },
    TableKind.CERTIFICATES: {
        "certificate": "cert|cert no|cal cert|cal cert no|cert id|no",
        "gauge": _GAUGE, "laboratory": "laboratory|lab|cal lab|cal laboratory|issued by|cal by|"
        "calibrating laboratory",
        "calibrated_on": "cal date|date of cal|cal on|date|last cal|cal",
        "issued_on": "issued on|issue date|date of issue|issued|cert date|date issued",
        "unit": "unit|pressure unit", "temperature_c": "temperature|ambient temperature|"
        "room temperature|lab temperature|room °c|room", "humidity": "humidity|ambient humidity",
        "adjusted": "adjusted|adjustment|adj", "withdrawn_on": "withdrawn on|withdrawn",
        "withdrawal_reason": "withdrawal reason|reason of withdrawal", "replaces": "replaces",
        "replacement_reason": "replacement reason|reason of replacement", "remarks": "remarks",
    },
    TableKind.POINTS: {
        "certificate": "cert|cert no|cal cert|cal cert no",
        "phase": "phase|asfound asleft|state|condition", "direction": "direction|rising falling|"
        "sense|up down",
        "reference": "reference|applied|reference value|true value|applied pressure|"
        "reference pressure|nominal|reference reading",
        "indication": "indication|indicated|reading|gauge reading|indicated value|shown",
        "error": "error|deviation|indication error",
        "expanded_uncertainty": "expanded uncertainty|uncertainty|u|uncertainty u|uncertainty k 2",
        "coverage_factor": "coverage factor|k|factor|k factor",
    },
    TableKind.STANDARDS: {
        "certificate": "cert|cert no|cal cert", "description": "description|reference description|"
        "reference|traceable to|traceability|reference used",
        "gauge": "gauge|gauge no|reference gauge",
        "standard_certificate": "reference cert|reference cert no",
    },
    TableKind.CALIBRATIONS: _CAL,
    TableKind.READINGS: {
        **_CAL, "reading": "reading|value|reading value|measured|measured value|actual",
        "kind_of_reading": "kind of reading|reading type|point|trip reset|type of reading|"
        "trip or reset",
    },
    TableKind.PEOPLE: {
        "person": "person|code|initials|id|personnel no|employee no|staff no|no|short|person code",
        "name": "name|full name|person name|surname|employee",
        "role": "role|function|job|job title|position|duty",
        "effective_on": "effective on|since|from|valid from|effective|role since|date|high|low",
        "held": "held|active|current",
    },
    TableKind.QUALIFICATIONS: {
        "person": "person|code|initials|id|employee no|staff no|name|technician",
        "quantity": "quantity|qualification|qualified for|measurand|qualified quantity",
        "granted_on": "granted on|granted|qualified on|valid from|date|date granted",
        "expires_on": "expires on|expires|expiry|valid until|valid high|expiry date|due",
        "granted_by": "granted by|approved by|assessed by|by",
    },
    TableKind.PROCEDURES: {
        "code": "procedure|procedure no|code|procedure code|no|id|procedure id",
        "title": "title|name|description|procedure title", "revision": "revision|revision no|issue",
        "approved_on": "approved on|approval date|date approved|approved",
        "approved_by": "approved by|approver",
        "effective_on": "effective on|effective|valid from|in force from|effective date",
        "quantities": "quantities|quantity|applies high|for|scope|measurands",
        "hazards": "hazards|hazard", "steps": "steps|step|instructions|text",
        "exercise_cycles": "exercise cycles|cycles|exercise", "as_found": "asfound runs|asfound|"
        "no of asfound runs", "as_left": "asleft runs|asleft|no of asleft runs",
        "ramp_limit_fraction_per_s": "ramp limit|ramp|ramp limit fraction per s|approach rate",
        "reading_lag_s": "reading lag|reading lag s|lag",
        "static_hold_fraction": "static hold fraction|static hold",
        "temperature_min_c": "temperature low|low temperature|temperature low c",
        "temperature_max_c": "temperature high|high temperature|temperature high c",
        "humidity_max": "humidity high|high humidity|humidity",
        "required_tur": "required tur|tur|test uncertainty ratio|required ratio",
        "rule": "rule|decision rule", "guard_factor": "guard factor|guard band factor",
        "coverage_probability": "coverage probability|coverage",
        "conformance_probability": "conformance probability",
    },
    TableKind.AREAS: {
        "code": "area|code|area code|id|no", "name": "name|area name|description|title",
    },
    TableKind.LABORATORIES: {
        "code": "laboratory|lab|code|lab code|laboratory code|id",
        "name": "name|laboratory name|lab name", "kind": "kind|type|laboratory kind|class",
        "accreditation": "accreditation|accreditation no|accredited no",
        "valid_from": "valid from|valid low|accredited from|low",
        "valid_until": "valid until|expires|expiry|valid high|accredited until",
        "scope": "scope|accredited for",
    },
    TableKind.POLICIES: {
        "code": "policy|code|interval policy|policy code|interval code|interval",
        "effective_on": "effective on|effective|valid from", "basis": "basis|counted from|"
        "counted low", "every": "every|months|interval length|count", "unit": "unit|interval unit",
        "end_of_month": "end of month", "grace_fraction": "grace fraction|grace share|grace %",
        "grace_days": "grace days|grace", "note": "remarks|note",
    },
}  # fmt: skip

SHEET_WORDS: dict[TableKind, str] = {
    TableKind.SWITCHES: r"switch|register|instrument (?:list|index)|tag list|\bpsl?\b",
    TableKind.SET_POINTS: r"set ?points?|settings|trip (?:list|points|schedule)",
    TableKind.GAUGES: r"gauges?|standards?|reference|test equipment|masters?",
    TableKind.CERTIFICATES: r"cert",
    TableKind.POINTS: r"cert\w* points?|points? of cert|\bpoints\b",
    TableKind.STANDARDS: r"traceab|cert\w* standards?",
    TableKind.CALIBRATIONS: r"calibrations?|history|records?|results?|tests?",
    TableKind.READINGS: r"readings?|cycles?|runs?",
    TableKind.PEOPLE: r"people|staff|persons?|technicians?|team",
    TableKind.QUALIFICATIONS: r"qualif|training|competen",
    TableKind.PROCEDURES: r"procedures?|methods?",
    TableKind.AREAS: r"areas?|plants?|locations?",
    TableKind.LABORATORIES: r"lab",
    TableKind.POLICIES: r"polic|intervals?",
}

# --- words in cells -----------------------------------------------------------------------

_YES_NO = {
    "yes": "y x ✓ ✔ 1 ja j ok done t",
    "no": "n 0 nein none not ✗ ✘ f",
}  # fmt: skip
_VOCABULARY: dict[str, dict[str, str]] = {
    "direction": {
        "rising": "rising|increasing|increase|inc|incr|up|↑|rise|on rise|high|hi|h|hh|hhh|▲|r|"
        "ascending|upscale|on increase|+",
        "falling": "falling|decreasing|decrease|dec|decr|down|↓|fall|on fall|low|lo|l|ll|lll|▼|f|"
        "descending|downscale|on decrease",
    },
    "phase": {
        "as-found": "as-found|as found|a/f|af|found|before|before adjustment",
        "as-left": "as-left|as left|a/l|al|left|after|after adjustment",
    },
    "quantity": {
        "pressure": "pressure|p|gauge pressure|press|gauge|pressure switch|ps",
        "differential pressure": "differential pressure|dp|d/p|diff|differential|diff. pressure|"
        "delta p|Δp|diff pressure|pds|dps",
        "vacuum": "vacuum|vac|v|negative pressure",
        "absolute pressure": "absolute pressure|abs|absolute|abs. pressure",
        "temperature": "temperature|temp|t|temp.|ts",
    },
    "status": {
        "in service": "in service|yes|y|x|active|in use|installed|operational|live|on line|online",
        "in store": "in store|store|spare|stock|in stock|stores|spares",
        "out of service": "out of service|no|n|inactive|removed|isolated|oos|out of use|off line",
        "scrapped": "scrapped|scrap|disposed|retired|obsolete",
        "at laboratory": "at laboratory|at lab|out for calibration|at calibration|away|in lab",
        "withdrawn": "withdrawn|quarantine|quarantined|blocked|do not use",
        "lost": "lost|missing|not found",
    },
    "criticality": {
        "safety": "safety|sil|safety critical|safety-critical|sis",
        "environment": "environment|environmental|env",
        "production": "production|process|prod|availability",
        "general": "general|normal|non-critical|not critical|standard",
    },
    "role": {
        "planner": "planner|maintenance planner|planning", "technician": "technician|tech|fitter|"
        "instrument technician|instrument fitter", "reviewer": "reviewer|checker|supervisor",
        "approver": "approver|manager|engineer|responsible engineer",
        "auditor": "auditor|quality|qa",
    },
    "mode": {
        "gauge": "gauge|g|gage|rel|relative|gauge pressure",
        "differential": "differential|diff|dp|d",
        "absolute": "absolute|abs|a", "vacuum": "vacuum|vac|v",
        "thermometer": "thermometer|temperature|temp|t|rtd",
    },
    "dead band": {
        "fixed": "fixed|fix|f|non-adjustable|not adjustable", "adjustable": "adjustable|adj|adj.|a|"
        "variable",
    },
    "tolerance basis": {
        "% of span": "% of span|% span|%span|% fs|%fs|% of full scale|% range|% of range|span",
        "% of set point": "% of set point|% sp|%sp|% of sp|% set point|set point|% of setting",
        "% of upper range value": "% of upper range value|% urv|% of urv|% of max",
        "absolute": "absolute|abs|unit|units|abs.|eng. units|eu|bar|kpa|psi|mbar",
    },
    "accuracy basis": {
        "% of span": "% of span|% span|%span|% fs|%fs|% of full scale|% f.s.|fs|span",
        "% of reading": "% of reading|% rdg|%rdg|% of rdg|reading|rdg|% o.r.",
        "absolute": "absolute|abs|unit|units|eu",
    },
    "kind of reading": {
        "trip": "trip|operate|set|actuation|on|t", "reset": "reset|return|re-set|off|r",
        "static": "static|line pressure", "outcome": "outcome|result",
    },
    "outcome": {
        "tripped": "tripped|ok|trip|operated|pass|yes|good",
        "no trip": "no trip|did not trip|nt|failed to trip|no operation|dnt|did not operate",
        "no reset": "no reset|did not reset|nr|failed to reset|stuck|dnr",
        "chatter": "chatter|chattering|bounce|unstable",
    },
    "kind": {
        "national": "national|national institute|nmi",
        "accredited": "accredited|external|iso 17025",
        "in-house": "in-house|in house|internal|own|shop",
    },
    "basis": {
        "last done": "last done|last|from last|floating|last calibration",
        "fixed grid": "fixed grid|"
        "fixed|grid|calendar",
    },
    "unit": {"month": "month|months|m|mo", "day": "day|days|d"},
}  # fmt: skip
_VOCABULARY["hazards"] = {
    "trip": "trip|plant trip", "stored pressure": "stored pressure|pressure|trapped pressure",
    "one-sided overpressure": "one-sided overpressure|one sided|overpressure",
    "oxygen": "oxygen|o2", "toxic": "toxic|poisonous|h2s", "flammable": "flammable|gas|fire|"
    "explosive|ex", "hot": "hot|steam|burn|hot surface", "foreign voltage": "foreign voltage|"
    "voltage|electric|electrical",
}  # fmt: skip
_VOCABULARY["quantities"] = _VOCABULARY["quantity"]


@lru_cache(maxsize=128)
def vocabulary(field: str) -> dict[str, str]:
    """Other words for the words of a field (squeezed name): said, in lower case, to meant."""
    found: dict[str, str] = {}
    for meant, said in _VOCABULARY.get(field, {}).items():
        for each in said.split("|"):
            found.setdefault(each.casefold(), meant)
    return found


@lru_cache(maxsize=1)
def yes_and_no() -> dict[str, str]:
    return {said: meant for meant, words in _YES_NO.items() for said in words.split()}


NOT_THERE = frozenset({"n/a", "na", "n.a.", "n. a.", "nil", "not applicable", "not measured", "?"})
"""Cell texts that say that there is nothing to say."""
