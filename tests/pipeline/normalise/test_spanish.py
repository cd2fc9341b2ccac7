"""What callers say in Spanish, by itself or among English words. Common practice, no source."""

import polars as pl
import pytest

from pipeline.normalise.spanish import in_english
from pipeline.normalise.troubles import read_text
from pipeline.normalise.unit_roster import unit_book
from pipeline.normalise.units import unit_of
from pipeline.normalise.weighing import weigh


@pytest.mark.parametrize(
    ("text", "category"),
    [
        ("papel atascado en el escáner", "scanner-jam"),
        ("la máquina se tragó la boleta y no la suelta", "scanner-jam"),
        ("el lector de boletas no prende", "scanner-down"),
        ("El escáner rechaza todas las boletas", "scanner-down"),
        ("estamos sin luz desde las nueve", "power"),
        ("se fue la corriente, trabajamos con batería", "power"),
        ("la tableta número tres no conecta con las otras", "poll-book"),
        ("la pantalla táctil no responde cuando la tocan", "bmd"),
        ("los audífonos no tienen sonido para la señora ciega", "accessible-device"),
        ("la impresora no saca el reporte de ceros", "tape-printer"),
        ("se acabaron las boletas del precinto 4", "ballot-stock"),
        ("la urna está llena hasta arriba", "bin-full"),
        ("el sello está roto", "seal"),
        ("la tarjeta de memoria no se lee", "memory-card"),
        ("no podemos mandar los resultados, dice error", "transmission"),
        ("fila larga, 60 personas afuera", "long-line"),
        ("la cola da la vuelta al edificio", "long-line"),
        ("la rampa de silla de ruedas está tapada", "site-access"),
        ("faltan dos trabajadores, solo somos tres", "staffing"),
        ("están repartiendo propaganda dentro del límite", "conduct"),
        ("huele a humo y suena la alarma", "safety"),
        ("¿puede votar sin identificación?", "procedure"),
    ],
)
def test_the_words_of_the_trade_are_known_in_spanish(text: str, category: str):
    assert weigh(read_text(text), None, {})[0] == category


@pytest.mark.parametrize(
    ("text", "english"),
    [
        ("el lector de boletas número dos", "el reader number 2"),
        ("número dos", "number 2"),
        ("la tableta tres", "la tablet number 3"),
        ("la segunda máquina", "la second machine"),
        ("la que termina en 7716", "la que ends in 7716"),
        ("the scanner in the gym", "the scanner in the gym"),
    ],
)
def test_a_unit_named_in_spanish_is_written_as_it_is_read(text: str, english: str):
    assert in_english(text) == english


def test_a_unit_is_known_by_its_number_in_spanish(units_frame: pl.DataFrame):
    book = unit_book(units_frame)
    assert unit_of(book, "P01", "", "el escáner número dos no prende", "scanner-down") == "SC-20012"
    assert unit_of(book, "P01", "termina en 011", "no prende", "scanner-down") == "SC-20011"
