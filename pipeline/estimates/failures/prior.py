"""What earlier elections said of a unit, discounted: a start for this one's posterior."""

from collections.abc import Sequence

import polars as pl

SCHEMA = {
    "unit_id": pl.String,
    "fault_class": pl.String,
    "prior_faults": pl.Float64,
    "prior_expected": pl.Float64,
    "prior_sure": pl.Int64,
}


def carried(units: pl.DataFrame, earlier: Sequence[pl.DataFrame], discount: float) -> pl.DataFrame:
    """Faults and expected faults of earlier elections, by unit and class, each weighed by its age: `SCHEMA`.

    A gamma posterior is its prior and the counts added up, so last election's posterior, discounted, is this one's
    prior with that election's counts times `discount`, the one before times its square (a power prior).

    Parameters
    ----------
    units : this election's roster
    earlier : records of earlier elections (`rates.record`), the latest first
    discount : weight of the latest, from 0 (forget) to 1 (count as today)

    Source: Ibrahim and Chen, "Power prior distributions for regression models", Statist. Sci. 15 (2000).
    """
    parts = [
        known_again(units, record).select(
            "unit_id",
            "fault_class",
            prior_faults=pl.col("weight") * discount ** (nth + 1),
            prior_expected=pl.col("expected_faults") * discount ** (nth + 1),
            prior_sure=pl.col("faults"),
        )
        for nth, record in enumerate(earlier)
    ]
    if not parts:
        return pl.DataFrame(schema=SCHEMA)
    both = pl.concat(parts).group_by("unit_id", "fault_class").agg(pl.all().sum())
    return both.select(list(SCHEMA)).sort("unit_id", "fault_class")


def known_again(units: pl.DataFrame, record: pl.DataFrame) -> pl.DataFrame:
    """An earlier record's rows of units that serve again: by serial where both rosters give one, else by id.

    The same id with another serial is another unit, and another id with the same serial is the same unit.
    """
    own = units.select("unit_id", "type", "serial")
    by_serial = own.filter(pl.col("serial").is_not_null()).unique("serial", keep="none")
    same = record.drop("unit_id").join(by_serial, on=["serial", "type"], how="inner")
    rest = record.filter(~pl.col("serial").is_in(by_serial["serial"].implode()) | pl.col("serial").is_null())
    by_id = rest.join(own.rename({"serial": "serial_now"}), on=["unit_id", "type"], how="inner").filter(
        pl.col("serial").is_null() | pl.col("serial_now").is_null() | (pl.col("serial") == pl.col("serial_now"))
    )
    names = ["unit_id", "fault_class", "weight", "expected_faults", "faults"]
    return pl.concat([same.select(names), by_id.select(names)])
