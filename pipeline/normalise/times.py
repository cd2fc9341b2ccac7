"""Times as people and exports write them → UTC.

A time with an offset is taken at its word; a local one is read in the zone given. In the hour that occurs twice the
order of the file decides; a local time in the hour that is skipped is no time at all.
"""

from datetime import datetime, timedelta

import polars as pl

from pipeline.sources.profile import EPOCHS

UTC_US = pl.Datetime("us", "UTC")
OFFSET = "%:z"
WITH_OFFSET = ("%Y-%m-%dT%H:%M:%S%:z", "%Y-%m-%dT%H:%M:%S%.f%:z", "%Y-%m-%dT%H:%M%:z")
LOCAL = ("%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M")
TIME_TEXT = "%Y-%m-%dT%H:%M:%S%.fZ"
SECOND, MINUTE, DAY = 10**6, 60 * 10**6, 86_400 * 10**6  # [µs]
MINUTES = pl.Series([f"T{minute // 60:02}:{minute % 60:02}:" for minute in range(1440)])
SECONDS = pl.Series([f"{second:02}Z" for second in range(60)])
FEW_DAYS = 4_000  # beyond it a text for every day would cost more than it saves: our choice
TOO_LATE = timedelta(hours=12)  # a time this far after its receipt cannot be right: the contract


def written_times(times: pl.Series) -> pl.Series:
    """Moments as text, like 2026-11-03T12:00:00Z, with a fraction of a second where they have one.

    Whole seconds of the same years are put together from the texts of days, minutes and seconds: four times as fast.
    """
    ticks = times.cast(UTC_US).to_physical()
    first, last = (int(end) if isinstance(end, int) else -1 for end in (ticks.min(), ticks.max()))
    if first < 0 or last - first > FEW_DAYS * DAY or (ticks % SECOND != 0).any():
        return times.dt.strftime(TIME_TEXT)
    days = pl.int_range(first // DAY, last // DAY + 1, dtype=pl.Int32, eager=True).cast(pl.Date).cast(pl.String)
    return pl.select(
        pl.concat_str(
            days.gather(ticks // DAY - first // DAY),
            MINUTES.gather(ticks // MINUTE % MINUTES.len()),
            SECONDS.gather(ticks // SECOND % SECONDS.len()),
        ).alias(times.name)
    ).to_series()


def read_times(texts: pl.Series, patterns: tuple[str, ...] = (), zone: str | None = None) -> pl.DataFrame:
    """Times of one column, in file order.

    Parameters
    ----------
    texts : what the column holds
    patterns : strptime patterns or `epoch-…`, tried in order before the standard forms
    zone : IANA zone of times without an offset; None: they stay unread, `needs_zone`

    Returns
    -------
    frame of `time` (UTC, null where unread), `is_ambiguous` (in the hour that occurs twice), `needs_zone`
    """
    raw = texts.str.strip_chars()
    offset = raw
    if not raw.str.contains(r"[+-]\d\d:\d\d$").all():
        offset = raw.str.replace(r"[Zz]$", "+00:00").str.replace(r"([+-]\d\d)(\d\d)$", "$1:$2")
    own = [(raw, pattern) for pattern in patterns]
    usual = [*((offset, pattern) for pattern in WITH_OFFSET), *((raw, pattern) for pattern in LOCAL)]
    fixed = pl.Series("fixed", [None] * len(raw), dtype=UTC_US)
    local = pl.Series("local", [None] * len(raw), dtype=pl.Datetime("us"))
    for text, pattern in own + usual:
        if not (fixed.is_null() & local.is_null() & raw.is_not_null()).any():
            break  # every value is read: the patterns that are left would cost time and change nothing
        found = read_pattern(text, pattern)
        if found.dtype == UTC_US:
            fixed = fixed.zip_with(fixed.is_not_null() | local.is_not_null(), found)
        else:
            local = local.zip_with(fixed.is_not_null() | local.is_not_null(), found)
    if local.null_count() == local.len():
        return pl.DataFrame({"time": fixed}).with_columns(is_ambiguous=pl.lit(False), needs_zone=pl.lit(False))
    frame = pl.DataFrame([fixed.alias("fixed"), local.alias("local")])
    if zone is None:
        return frame.select(
            time=pl.col("fixed"),
            is_ambiguous=pl.lit(False),
            needs_zone=pl.col("local").is_not_null() & pl.col("fixed").is_null(),
        )
    placed = frame.with_columns(
        first=pl.col("local")
        .dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
        .dt.convert_time_zone("UTC"),
        second=pl.col("local")
        .dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
        .dt.convert_time_zone("UTC"),
    )
    placed = placed.with_columns(is_ambiguous=(pl.col("first") != pl.col("second")).fill_null(False))
    if placed["is_ambiguous"].any():
        placed = placed.with_columns(first=settle(placed))
    return placed.select(
        time=pl.coalesce("fixed", "first"),
        is_ambiguous=pl.col("is_ambiguous") & pl.col("fixed").is_null(),
        needs_zone=pl.lit(False),
    )


def read_pattern(text: pl.Series, pattern: str) -> pl.Series:
    """What one pattern reads: moments (UTC) where it fixes them, local times elsewhere; null where it does not fit."""
    if pattern in EPOCHS:
        scale = 1_000_000 if pattern == EPOCHS[0] else 1_000
        ticks = (text.cast(pl.Float64, strict=False) * scale).round()
        return ticks.cast(pl.Int64, strict=False).cast(UTC_US)
    if "%p" in pattern:
        text = text.str.replace(r"(?i)\b([ap])\.\s?m\.?", "${1}m")  # "7:05 p.m."
    pattern = pattern.replace(".%f", "%.f")  # strptime's fraction, as polars writes it
    local = pattern.removesuffix(OFFSET)
    if local not in ("", pattern) and read_apart(text.drop_nulls().head(1), local).count():
        read = read_apart(text, local)
        unread = (read.is_null() & text.is_not_null()).arg_true()
        return read.scatter(unread, read_whole(text.gather(unread), pattern)) if unread.len() else read
    return read_whole(text, pattern)


def read_whole(text: pl.Series, pattern: str) -> pl.Series:
    """As `read_pattern`, by a pattern as polars writes it."""
    read = text.str.to_datetime(pattern, time_unit="us", strict=False)
    if pattern.endswith("Z") and not pattern.endswith("%Z"):
        return read.dt.replace_time_zone("UTC").cast(UTC_US)  # a written Z is UTC
    is_fixed = "%z" in pattern or "%:z" in pattern or "%#z" in pattern
    return read.dt.convert_time_zone("UTC").cast(UTC_US) if is_fixed else read


def read_apart(text: pl.Series, pattern: str) -> pl.Series:
    """Moments written as a local time of that pattern, and an offset like `+01:00`; null where that does not fit.

    The local time and the offset are read by themselves: local times are read many times faster, and a file has one
    offset or two.
    """
    local = text.str.head(-6).str.to_datetime(pattern, time_unit="us", strict=False)
    offset = text.str.tail(6)
    once = offset.drop_nulls().unique()
    since_epoch = ("1970-01-01T00:00:00" + once).str.to_datetime(WITH_OFFSET[0], time_unit="us", strict=False)
    shift = offset.replace_strict(once, since_epoch.cast(pl.Int64), default=None, return_dtype=pl.Int64)
    return (local.cast(pl.Int64) + shift).cast(UTC_US)


def settle(placed: pl.DataFrame) -> pl.Series:
    """The twice-occurring hour by the order of the file: once the clock has gone back, it is the second time round."""
    out: list[datetime | None] = []
    previous: datetime | None = None
    is_second = False
    for first, second, is_ambiguous in placed.select("first", "second", "is_ambiguous").iter_rows():
        if is_ambiguous and previous is not None and first < previous:
            is_second = True
        chosen = second if is_ambiguous and is_second else first
        out.append(chosen)
        if first is not None:
            previous = first if is_ambiguous else chosen
            is_second = is_second and is_ambiguous
    return pl.Series("first", out, dtype=UTC_US)
