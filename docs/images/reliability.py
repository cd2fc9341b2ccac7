"""The reliability diagram of `chance_over_30`: python docs/images/reliability.py BINS...

BINS are files of `wardbook grade --bins`; several are several days, pooled by the number of their rows.
"""

import sys
from pathlib import Path

import altair as alt
import polars as pl

HERE = Path(__file__).parent
SIDE = 320  # of the diagram [px]
NAMES = {"checkin": "check-in", "scanner": "scanner"}
COLOURS = {"domain": list(NAMES.values()), "range": ["#0072B2", "#D55E00"]}  # Okabe & Ito: told apart by everybody
PERCENT = alt.Axis(format="%")
WHOLE = alt.Scale(domain=[0, 1])


def pooled(paths: list[Path]) -> pl.DataFrame:
    """One row a line and bin that any day filled: rows, mean chance said, share that came true."""
    bins = pl.concat(pl.read_csv(path) for path in paths).filter(pl.col("rows") > 0)
    weight = pl.col("rows") / pl.col("rows").sum()
    return (
        bins.group_by("line", "bin_low")
        .agg(
            chance=(pl.col("chance_mean") * weight).sum(),
            share=(pl.col("over_30_share") * weight).sum(),
            rows=pl.col("rows").sum(),
        )
        .with_columns(line=pl.col("line").replace_strict(NAMES))
        .sort("line", "bin_low")
    )


def diagram(bins: pl.DataFrame) -> alt.LayerChart:
    """What was said against what came of it, with the number of rows; on the diagonal the two agree."""
    ends = alt.Chart(pl.DataFrame({"x": [0.0, 1.0]}))
    agree = ends.mark_line(color="#999999", strokeDash=[4, 4]).encode(x="x", y="x")
    base = alt.Chart(bins).encode(
        x=alt.X("chance:Q", title="chance said of a wait over 30 minutes", axis=PERCENT, scale=WHOLE),
        y=alt.Y("share:Q", title="share of waits that were over 30 minutes", axis=PERCENT, scale=WHOLE),
        color=alt.Color("line:N", title="line", scale=alt.Scale(**COLOURS)),
        shape=alt.Shape("line:N", title="line"),
    )
    numbers = base.mark_text(dx=9, dy=-9, fontSize=10).encode(text="rows:Q")
    return alt.layer(agree, base.mark_point(filled=True, size=70), numbers).properties(width=SIDE, height=SIDE)


if __name__ == "__main__":
    diagram(pooled([Path(name) for name in sys.argv[1:]])).save(HERE / "reliability.png", scale_factor=2)
