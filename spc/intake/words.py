"""The words shops write in headers, summary lines and event columns, in several languages."""

import re
import unicodedata
from functools import lru_cache

# All words below are in the form `key` gives: no case, accents, spaces or punctuation.
# They are common practice of exports, no source.
_ROLES = {
    "part": (
        "part partno partnr partnum partnumber partid pn serial serialno serialnr"
        " serialnumber sn id no nr number nummer piece pieceno piecenr piecenumber piecen"
        " workpiece workpieceno workpiecenumber item itemno sample sampleno samplenr samplenumber"
        " teil teilnr teilenr teilno teilnummer teilenummer teileid teilid serie serien seriennr"
        " seriennummer snr lfdnr lfdno lfdnummer laufendenummer laufnr laufnummer stuck stucknr"
        " stucknummer werkstuck werkstucknr werkstucknummer werkstueck werkstuecknr stueck"
        " stuecknr probennr nopiece npiece numpiece numeropiece numero numerodepiece"
        " numeropiece numerodeserie noserie nserie nodeserie nodepiece ndepiece ndeserie repere"
        " pezzo npezzo numeropezzo matricola pieza npieza numeropieza shaft shaftno welle wellennr"
    ),
    "time": (
        "time timestamp datetime dateandtime datetimeutc datetimelocal measuredat measuredon"
        " measuretime measurementtime zeit zeitstempel datumzeit datumuhrzeit datumunduhrzeit"
        " datumundzeit messzeit messzeitpunkt zeitpunkt horodatage dateheure dateetheure datehour"
        " fechahora fechayhora dataora dataeora timeutc utctime"
    ),
    "date": (
        "date datum messdatum day tag jour datedemesure datemesure measurementdate measuredate"
        " fecha"
    ),
    "clock": "uhrzeit clock heure hour hours stunde hora ora timeofday clocktime heuredemesure",
    "feature": (
        "feature featurename characteristic characteristicname merkmal merkmalname merkmalsname"
        " merkmalbezeichnung prufmerkmal pruefmerkmal caracteristique cote dimension parameter"
        " messstelle quantity caracteristica caratteristica quota mass messgrosse"
    ),
    "reading": (
        "reading readings value values measuredvalue measurement measurements measure measured"
        " actual actualvalue actualsize result results messwert messwerte istwert istmass ist wert"
        " messergebnis ergebnis valeur valeurs valeurmesuree valeurreelle mesure mesures resultat"
        " size diameter durchmesser diametre valor medida valore misura"
    ),
    "deviation": (
        "deviation deviations dev abweichung abw abmass ecart ecarts delta diff difference"
        " differenz desviacion scostamento"
    ),
    "unit": "unit units uom einheit einheiten masseinheit unite unites unidad unita",
    "gauge": (
        "gauge gage gaugeid gaugeno instrument device station messmittel messgerat messgeraet"
        " pruefmittel prufmittel messmittelnr moyen moyendemesure appareil instrumento strumento"
    ),
    "operator": (
        "operator operatorid user inspector inspectedby measuredby bediener prufer pruefer werker"
        " benutzer operateur controleur operario operatore"
    ),
    "temperature": (
        "temperature temp parttemp parttemperature tempc tempf tpart temperatur teiletemperatur"
        " werkstucktemperatur bauteiltemperatur temperaturepiece temperaturedepiece temperatura"
        " ttemp temperaturec temperaturf temperaturc temperaturef"
    ),
    "event": "event events eventtype ereignis ereignisse ereignisart evenement evenements evento",
    "amount_um": (
        "amountum amount amountmm amountin offsetum offsetamount betrag betragum korrekturbetrag"
        " montant correctionum cuantia importo"
    ),
    "typed": "typed astyped entered keyedin eingabe eingegeben saisie saisi",
    "minutes": "minutes dauer dauermin duration durationmin duree dureemin minuten minutos minuti",
    "note": (
        "note notes remark remarks comment comments bemerkung bemerkungen kommentar anmerkung"
        " hinweis remarque remarques commentaire commentaires observation observations nota notas"
    ),
    "after_part": "afterpart after nachteil aprespiece apreslapiece",
    "machine": "machine machineid machineno maschine maschinennr grinder schleifmaschine maquina",
    "job": "job jobno order orderno workorder auftrag auftragsnr ordre ordredefabrication",
    "repeat": (
        "repeat repeats replicate replicates trial trialno repetition wiederholung essai"
        " messungnr readingno measurementno wdh nmesure"
    ),
}  # fmt: skip
ROLES = {word: role for role, words in _ROLES.items() for word in words.split()}
#: Every role a plan may map under [columns].
ROLE_NAMES = frozenset(_ROLES)

# Kind words in front of or behind a feature's name: "Ø seat A", "seat A diameter".
SIZE_WORDS = ("diameter", "durchmesser", "diametre", "dia", "diam", "ø", "⌀", "d", "dm")
DEVIATION_WORDS = ("deviation", "dev", "abweichung", "abw", "ecart", "delta", "Δ", "diff")
ACTUAL_WORDS = ("actual", "ist", "istmass", "istwert", "reading", "value", "messwert", "mesure",
                "valeur", "size")  # fmt: skip
# Words between a feature's name and the number of its reading: "seat A reading 2".
REPEAT_WORDS = ("reading", "messung", "mesure", "rep", "repeat", "trial", "essai", "wdh", "meas",
                "measurement", "value", "wert", "m", "r", "no", "nr", "x")  # fmt: skip

_SUMMARY = (
    "mean means average avg ave xbar xquer mw mittel mittelwert mittelwerte durchschnitt moyenne"
    " moy media promedio max maximum maxi maxwert maximalwert min minimum mini minwert minimalwert"
    " s sd sdev sigma std stdev stddev stdabw stdabweichung standarddeviation standardabweichung"
    " streuung stabw ecarttype ecarttypes variance varianz"
    " r range spannweite spanne etendue rango escursione count n anzahl nombre effectif numero"
    " number total totals sum summe somme gesamt median mediane medianwert"
    " cp cpk pp ppk cm cmk cg cgk usl lsl ucl lcl utl ltl osg usg otg utg ogw ugw nominal"
    " nominalsize nennmass sollwert soll solltwert tolerance toleranz toleranzen tolerancesup"
    " tolerancesup toleranceinf uppertol lowertol uppertolerance lowertolerance upperlimit"
    " lowerlimit oberetoleranz unteretoleranz ecartsup ecartinf valeurnominale summary statistics"
    " statistik statistique statistiques zusammenfassung resume ok nok out"
    " meanvalue maxvalue minvalue averagevalue valeurmoyenne valeurmax valeurmin samplesize"
    " stichprobenumfang uppercontrollimit lowercontrollimit mean3s mean3sigma 3s 6s 3sigma 6sigma"
    " deviationstandard desviacionestandar deviazionestandard variation"
)
# What begins with one of these is a formula or a name, and no word.
_FORMULA = ("=", "@", "+")
SUMMARY_WORDS = frozenset(_SUMMARY.split()) - {"ok", "nok", "out", "number", "numero"}
# Short words are believed only where a part number, a time or a reading belongs.
SURE_SUMMARY_WORDS = frozenset(word for word in SUMMARY_WORDS if len(word) > 2)

_EVENTS = {
    "dress": (
        "dress dressing dressed dresswheel wheeldress wheeldressing abrichten abgerichtet abricht"
        " abrichtung abrichtzyklus dressage dresse diamantage diamante taillage rediamantage"
        " reavivage avivage diamantar ravvivatura diamantatura"
    ),
    "offset": (
        "offset offsets compensation compensate comp correction corrected correcteur korrektur"
        " korrigiert nachstellen nachgestellt nachstellung zustellkorrektur masskorrektur"
        " versatz offsetkorrektur decalage correctiondecote correccion correzione sizeoffset"
    ),
    "wheel": (
        "wheel wheelchange newwheel wheelchanged changewheel scheibe neuescheibe scheibenwechsel"
        " schleifscheibenwechsel schleifscheibe meule nouvellemeule changementdemeule"
        " changementmeule cambiodemuela cambiomola"
    ),
    "swivel": (
        "swivel swiveltable tableswivel taperadjust schwenken tischschwenken geschwenkt"
        " tischverstellung pivotement pivotementdelatable"
    ),
    "pause": (
        "pause break stop stopped stoppage halt stillstand unterbrechung arret interruption"
        " lunch lunchbreak mittagspause pausa descanso fermata"
    ),
    "master": (
        "master mastering mastered gaugeset gaugezero gaugemaster setmaster zeroing einmessen"
        " meister einstellmeister einstellmeistern nullen nullung kalibrieren etalon etalonnage"
        " calage miseazero patron campione"
    ),
    "batch": "batch newbatch batchchange lot newlot lotchange charge neuecharge chargenwechsel"
    " los loswechsel changementdelot nouveaulot lote lotto",
    "coolant": (
        "coolant coolantchange newcoolant kuhlmittel kuehlmittel kuhlmittelwechsel"
        " kuehlmittelwechsel kss ksswechsel arrosage liquidedecoupe lubrifiant refrigerante"
    ),
    "regrind": "regrind reground regrinding rework reworked nachschleifen nachgeschliffen"
    " nacharbeit reprise retouche rectifieanouveau",
    "cleared": "cleared clear released release holdcleared freigabe freigegeben libere liberation",
    "note": "note remark comment bemerkung hinweis remarque commentaire notiz info",
}
EVENTS = {word: kind for kind, words in _EVENTS.items() for word in words.split()}
#: What stands in an event column where nothing happened.
NO_EVENT = frozenset({"", "none", "no", "nothing", "keine", "kein", "nein", "aucun", "non", "0",
                      "ok", "na", "nan", "null", "false", "nil"})  # fmt: skip


# What is written in place of a size when a part is bad, or beyond the reach of the gauge.
_OUT = (
    "nok notok ng nogood out outoflimits outoftol outoftolerance oot toolarge toosmall oversize"
    " undersize over under reject rejected scrap scrapped fail failed nio nichtio ausschuss"
    " aussertoleranz zugross zuklein ubermass uebermass untermass verworfen rebut horstol"
    " horstolerance nonconforme tropgrand troppetit rechazado fueradetolerancia scarto"
    " fuoritolleranza"
)
_OUT_WORDS = frozenset(_OUT.split())
_BEYOND = re.compile(r"^([<>≤≥]+)\s*[+-]?\d")

#: Words are told by so many signs. Own choice.
LONGEST = 200


def key(text: str) -> str:
    """
    The text without case, accents, spaces and punctuation, for comparing words.

    Examples
    --------
    >>> key("Teil-Nr."), key(" N° de pièce "), key("Lfd. Nr."), key("Ø 1")
    ('teilnr', 'ndepiece', 'lfdnr', 'ø1')
    """
    return _key(text[:LONGEST])


@lru_cache(maxsize=4096)
def _key(text: str) -> str:
    return plain(text) or text.strip().casefold()


def plain(text: str) -> str:
    """Letters and figures alone, without case and accents."""
    apart = unicodedata.normalize("NFKD", text.replace("°", " ").replace("º", " ")).casefold()
    return "".join(c for c in apart if c.isalnum() or c == "⌀")


def says_summary(text: str, *, sure: bool = False) -> bool:
    """
    Whether a cell labels a summary line: a summary word alone or in front of other words.

    Parameters
    ----------
    text : str
        The cell.
    sure : bool
        Believe only words of three letters or more.

    Examples
    --------
    >>> says_summary("Mean:"), says_summary("Mittelwert seat A"), says_summary("SN-12")
    (True, True, False)
    >>> says_summary("s"), says_summary("s", sure=True), says_summary("@sum")
    (True, False, False)
    """
    known = SURE_SUMMARY_WORDS if sure else SUMMARY_WORDS
    # The bar of x-bar may be written above the letter.
    plain = text.replace("Σ", "sum").casefold().replace("x̄", "xbar").replace("σ", "sigma").strip()
    if plain[:1] in _FORMULA:
        return False
    if key(plain) in known:
        return True
    if len(plain) > 60:
        return False
    first = re.split(r"[\s:=/(\[,;|]+", plain, maxsplit=1)[0]
    return len(first) > 2 and key(first) in known and not first[-1:].isdigit()


def says_out(text: str, *, below: bool = True) -> bool:
    """
    Whether a cell calls the part bad instead of giving its size.

    Parameters
    ----------
    text : str
        The cell.
    below : bool
        Whether "less than" is bad, too; not so for roughness and the like.

    Examples
    --------
    >>> says_out("n.i.O."), says_out(">25,008"), says_out("ERR"), says_out("<0.2", below=False)
    (True, True, False, False)
    """
    beyond = _BEYOND.match(text.strip())
    if beyond:
        return below or ">" in beyond[1] or "≥" in beyond[1]
    return key(text) in _OUT_WORDS


def event_kind(text: str) -> str | None:
    """
    The kind of event a word stands for; None when it is not known.

    Examples
    --------
    >>> event_kind("Abrichten"), event_kind("offset"), event_kind("lunch at last")
    ('dress', 'offset', None)
    """
    return EVENTS.get(key(text))
