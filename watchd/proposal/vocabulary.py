"""Words of the trade in names of topics and keys, in English, German, French and Spanish.

They are hints only. Small letters, without accents as they mostly are in names, and with.
"""

from __future__ import annotations

from collections.abc import Iterable


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


CELL = _words(
    "cell cells zelle zellen zell zellspannung zellspannungen cellule cellules celda celdas"
)
VOLTAGE = _words(
    "voltage voltages volt volts v u mv millivolt millivolts dv cv vdc spannung spannungen "
    "gesamtspannung packspannung tension tensions voltaje tensión"
)
CURRENT = _words(
    "current currents amp amps ampere amperes amperage a i ma milliamps da deciamps centiamps "
    "ca strom batteriestrom courant intensite intensité corriente intensidad"
)
SOC = _words(
    "soc rsoc percent pct prozent ladezustand ladestand füllstand fuellstand fill pourcentage "
    "porcentaje"
)
# Two words that mean it together: "state of charge", "etat de charge", "estado de carga".
SOC_PAIRS = (
    ({"state", "etat", "état", "level"}, {"charge"}),
    ({"estado", "nivel"}, {"carga"}),
    ({"charge"}, {"percent", "pct", "level"}),
)
TEMPERATURE = _words(
    "temp temps temperature temperatures temperatur temperaturen température températures "
    "temperatura temperaturas kelvin celsius degc degk degf fahrenheit ntc probe probes"
)
POWER = _words("power watt watts w kw leistung puissance potencia")
TIME = _words(
    "t ts time timestamp at date datetime measured updated zeit zeitstempel zeitpunkt heure "
    "horodatage hora fecha"
)
CHARGE = _words("chg charge charging chargemos laden ladung lade carga recharge in charger cfet")
DISCHARGE = _words(
    "dsg dchg dis discharge discharging entladen entladung entlade décharge decharge descarga "
    "out dfet"
)
ALLOWED = _words(
    "allowed allow enabled enable enabling permitted permission ok on mos mosfet fet switch "
    "erlaubt freigabe frei autorise autorisé autorisée autorisee permitido permitida state "
    "status"
)
BALANCING = _words(
    "bal balance balancing balancer balances equalising equalizing equalise balancieren "
    "ausgleich balancierung equilibrage équilibrage equilibrado equilibrio"
)
PROTECTION = _words(
    "prot protection protections protect alarm alarms fault faults error errors trip trips "
    "stop stops events event schutz störung stoerung fehler alarme alarmes défaut defaut "
    "fallo fallos alarma alarmas warning warnings proteccion protección"
)
# Charge flows out while the value is positive, says the name.
OUTWARD = DISCHARGE - {"dfet"}
INWARD = _words("chg charge charging laden lade carga recharge in")

# What makes it another value than the one that is measured now.
NOT_MEASURED = _words(
    "max min mean avg average highest lowest high low delta diff difference spread limit "
    "limits setpoint target rated nominal design cutoff threshold ov uv oc recovery back "
    "float absorption request requested remaining capacity health soh cycles cycle count ah "
    "wh kwh energy maximal minimal mittelwert grenze grenzwert sollwert limite consigna "
    "consigne full resistance mohm ohm ohms wire leads lead no nr number id index"
)
# What only other devices have, or packs beside what is looked for.
ELSEWHERE = _words(
    "inverter wechselrichter onduleur inversor pv solar mppt grid netz ac load loads last "
    "humidity feuchte humedad humidite pressure rssi lqi linkquality lux light door window "
    "outdoor indoor kitchen garden weather switch relay thermostat thermometer fridge "
    "generator water tank tide wind"
)
# Levels of a topic that name no pack.
GENERAL = _words(
    "state status data report reports telemetry value values info live json bms bmss battery "
    "batteries batterie batterien bateria baterias akku pack packs bank banks cell cells mqtt "
    "tele sensor sensors home house stat out measurement measurements volts voltage dc main "
    "all"
)
PACK = _words(
    "pack packs battery batteries batterie batterien bateria baterias akku bms string module "
    "modul block"
)


def has(words: Iterable[str], of: frozenset[str]) -> bool:
    """Whether one of the words is among these."""
    return not of.isdisjoint(words)


def is_soc(words: Iterable[str]) -> bool:
    """Whether the words mean a state of charge."""
    found = set(words)
    return has(found, SOC) or any(found & a and found & b for a, b in SOC_PAIRS)
