"""Names of channels in Spanish, Italian, Polish, Dutch, Swedish and Portuguese, and what English, German and French
loggers write more rarely. Written as in ``words``: folded, without accents.

A dot stands where Polish letters get lost: an 8-bit encoding taken for another leaves a digit or a blank there.
"""

from __future__ import annotations

from typing import Final

from recommender.logs.options import Role

#: Words of a value that is wanted and not measured.
WANTED: Final = r"""
    objetivo | deseada | deseado | solicitada | solicitado | pedida | obiettivo | richiesta | richiesto | zadane
    | zadana | zadany | wymagane | gewenst | gewenste | doel | streefwaarde | gevraagd | borvarde | begard | begart
    | alvo | desejada | desejado | limite | maximo | maxima | massimo | massima | maksymalne | demandee | demande
    | voulue | consigna | nominale | requerid[ao] | doelwaarde | bor | onskat | onskad | oczekiwan[ea] | zalozone
"""

#: Best, good and fair names of each role, and words that rule a name out.
MORE: Final[dict[Role, tuple[str, str, str, str]]] = {
    "time": (
        r"""
            tiempo | hora | marca de tiempo | tiempo transcurrido | orario | czas | znacznik czasu | tijd | tijdstip
            | tijdstempel | verstreken tijd | tid | tidpunkt | tidsstampel | klockslag
        """,
        r"tempo | tempo trascorso | tempo decorrido | segundos | secondi | sekundy | seconden | sekunder",
        r"czas.*",
        r"""
            inyeccion | iniezione | wtrysku | inspuiting | insprutning | injecao | encendido | accensione | ignicao
            | zap.onu
        """,
    ),
    "rpm": (
        r"""
            tours moteur | tours minute | crank speed | engine revolutions | rpm( del| do)? motor | regimen
            | regimen (del )?motor | revoluciones( (del )?motor)? | velocidad (del )?motor | giri | giri motore
            | giri al minuto | regime motore | numero( di)? giri( motore)? | velocita motore | obroty( silnika)?
            | predko.{0,3} obrotowa( silnika)? | predko.{0,3} silnika | (motor ?)?toerental( motor)?
            | (motor ?)?varvtal( motor)? | rotac(ao|oes)( do motor)? | regime do motor
        """,
        r".*\b(obroty silnika|motortoerental|motorvarvtal|giri motore)\b.*",
        r"toeren | varv | motore | silnik",
        r"""
            turbina | turbiny | turbine | ruota | rueda | roda | kola | wiel | hjul | minimo | jalowe | wolne
            | stationair | tomgang | bieg | rolka
        """,
    ),
    "boost": (
        r"""
            turbo pressure | charge air pressure | manifold boost | turbo boost | ladeluftdruck
            | (uber|ueber)druck ladeluft | ladedruck (uber|ueber)druck | pression suralim
            | presion (de |del )?(turbo|soplado|sobrealimentacion) | pressione (di |del )?(turbo|sovralimentazione)
            | sovralimentazione | do.adowanie | ci.{0,2}nienie (do.adowania|turbo) | laaddruk | turbo ?druk
            | laaddruk (absoluut|relatief) | laddtryck | turbotryck | laddtryck (absolut|relativt)
            | pressao (do |de )?(turbo|sobrealimentacao)
        """,
        r"""
            saugrohrabsolutdruck | presion (absoluta )?((del|de|en el) )?colector( de)?( admision)?( absoluta)?
            | presion (de )?admision | pressione (assoluta )?(nel )?collettore( (di )?aspirazione)?( assoluta)?
            | pressione aspirazione | ci.{0,2}nienie (bezwzgl.dne )?w kolektorze( dolotowym| ss.cym)?
            | ci.{0,2}nienie dolotu | inlaat(spruitstuk)?druk( absoluut)? | spruitstukdruk( absoluut)?
            | (absolut )?insug(s|nings|ningsrors)tryck( absolut)?
            | pressao (absoluta )?((do|no|de) )?coletor( de admissao)?( absoluta)? | pressao de admissao
        """,
        r".*\b(laaddruk|laddtryck|sovralimentazione|sobrealimentacion|sobrealimentacao|do.adowania)\b.*",
        r"""
            valvula | valvola | elettrovalvola | electrovalvula | zaworu | klep | ventil | temperatura | temperatuur
            | escape | scarico | spalin | uitlaat | avgas | combustible | carburante | paliwa | brandstof | bransle
            | combustivel | aceite | olio | oleju | olie | olja | oleo | ciclo | pulskvot | wype.nienie | dutycycle
            | dutycycle laaddrukklep | laaddrukklep | regeling | huile | carburant
        """,
    ),
    "barometer": (
        r"""
            pression atmo | presion (atmosferica|barometrica|ambiente) | pressione (atmosferica|barometrica|ambiente)
            | ci.{0,2}nienie (atmosferyczne|otoczenia|barometryczne) | luchtdruk | omgevingsdruk | barometerdruk
            | atmosferische druk | lufttryck | atmosfarstryck | barometertryck | omgivningstryck
            | pressao (atmosferica|barometrica|ambiente) | barometro | atmospharischer druck
        """,
        r".*\b(atmosferica|barometrica|atmosferyczne|luchtdruk|atmosfarstryck)\b.*",
        r"",
        r"temperatura | temperatuur | band | dack | opony",
    ),
    "throttle": (
        r"""
            apps | pedalstellung | fahrpedalwert | gaspedalwert | pedal( del?| do)? acelerador | acelerador
            | posicion (del )?(pedal|acelerador|pedal del acelerador) | pedale( dell)? acceleratore | acceleratore
            | posizione (del )?(pedale|acceleratore|pedale acceleratore) | peda. gazu
            | (pozycja|po.o.enie) peda.u( gazu| przyspieszenia)? | gaspedaal ?(stand|positie)? | gaspedal(lage)?
            | pedallage | posicao (do )?(pedal|acelerador|pedal do acelerador)
        """,
        r"""
            (posicion |apertura )?(de la )?mariposa | (posizione |apertura )?(della )?farfalla | przepustnica
            | (po.o.enie|otwarcie|k.t|pozycja) przepustnicy | (gas|smoor)klep ?(stand|positie|hoek)?
            | trottel(vinkel|lage)? | (gas)?spjall(vinkel|lage)? | (posicao |abertura )?(da )?borboleta
        """,
        r".*\b(mariposa|farfalla|przepustnicy|gasklep|trottel|borboleta|acelerador|acceleratore)\b.*",
        r"freno | freio | hamulca | rem | broms | embrague | frizione | tension | napiecie | spanning",
    ),
    "duty": (
        r"""
            boost control output | tv ladedruck | tastverhaltnis n75 | n75 | ansteuerung wastegate | rapport cyclique ev
            | ciclo( de trabajo| de trabalho| util)?( (de|del|de la|da))? (wastegate|electrovalvula|turbo|soplado)
            | duty( cycle)? (wastegate|elettrovalvola|ev) | wype.nienie( n75| elektrozaworu| zaworu n75| turbo)?
            | duty ?cycle (wastegate|laaddruk|laaddrukklep|n75) | pulskvot( laddtryck| wastegate| n75)?
        """,
        r"",
        r"",
        r"inyector | iniettore | wtryskiwaczy | posicion | posizione | pozycja | stand | lage | posicao",
    ),
    "lambda_": (
        r"titolo | sonda lambda | lambdavarde | lambdawaarde | wspo.czynnik lambda",
        r"",
        r"",
        r"ogrzewanie | calefactor | correccion | correzione | korekta | correctie | korrigering | correcao",
    ),
    "exhaust_c": (
        r"""
            temp(eratura)? (de )?(los )?(gases )?(de )?escape | temp(eratura)? (gas )?(di )?scarico
            | temp(eratura)? spalin | uitlaat(gas)? ?temp(eratuur)? | avgas ?temp(eratur)?
            | temp(eratura)? ((do|dos) )?(gases )?(de )?escap(e|amento)
        """,
        r"",
        r"",
        r"katalizator | catalizador | catalizzatore | katalysator",
    ),
    "knock": (
        r"""
            detonacion | picado( de biela)? | detonazione | battito( in testa)? | spalanie stukowe | stuki | kloppen
            | pingelen | knack | knackning | detonacao | batida de pino
        """,
        r".*\b(detonacion|detonazione|detonacao|stukowe|pingel|knackning)\b.*",
        r"",
        r"umbral | soglia | prog | drempel | troskel | limiar",
    ),
    "intake_c": (
        r"""
            temp air | temp(eratura)? (del? )?(aire )?(de )?admision | temp(eratura)? (del )?aire( admision)?
            | temp(eratura)? aria( aspirata| aspirazione)? | temp(eratura)? (powietrza )?dolot(u|owego)
            | temp(eratura)? powietrza( dolotowego| do.adowania)? | (inlaat|aanzuig|laad)lucht ?temp(eratuur)?
            | insug(s|nings)?(luft)? ?temp(eratur)? | lufttemp(eratur)? insug | laddluft ?temp(eratur)?
            | temp(eratura)? (do )?ar( de admissao)? | temp(eratura)? de admissao
        """,
        r"",
        r"",
        r"exterior | esterna | zewn.trzna | buiten | ute | externa | otoczenia",
    ),
    "coolant_c": (
        r"""
            temp(eratura)? (del? )?(refrigerante|agua|motor) | temp(eratura)? (acqua|motore)
            | temp(eratura)? (del )?liquido (di )?(raffreddamento|refrigerante) | temp(eratura)? silnika
            | temp(eratura)? p.ynu( ch.odz.cego)? | temp(eratura)? cieczy( ch.odz.cej)?
            | koel(water|vloeistof) ?temp(eratuur)? | motortemp(eratuur|eratur)?
            | kyl(vatten|vatske)? ?temp(eratur)? | temp(eratura)? ((da|de) )?agua | temp(eratura)? do motor
            | temp(eratura)? do liquido de arrefecimento | temperature eau moteur
        """,
        r"",
        r"",
        r"aceite | olio | oleju | olie | olja | oleo",
    ),
}
