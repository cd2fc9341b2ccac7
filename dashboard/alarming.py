"""Alarms on screen: each said once, its end told, muted with a reason; a tone if wanted."""

import io
import math
import struct
import wave
from functools import cache

import streamlit as st

from dashboard import figures, panels
from dashboard.data import Picture, once
from dashboard.words import safe
from pipeline.outputs.alarms import Sounding, Told, alarms, in_words, sounding

TOLD = "alarms-told"
TONE_HZ, TONE_SECONDS, RATE_HZ = 660, 0.5, 8_000  # of the tone; our choice


def announce(picture: Picture) -> None:
    """What sounds now, under the header; what is new or over is said once, in a message that goes away.

    Nothing while the estimates are awaited: the page says so.
    """
    if picture.is_awaited:
        return
    found = sounding_now(picture)
    told = st.session_state.setdefault(TOLD, Told())
    news = told.news(found, picture.at) if picture.is_live else []
    for text in news:
        st.toast(text, duration="long")
    loud = [s for s in found if s.alarm.muted_why is None]
    if loud:
        lines = "".join(f"<p>▲ <b>Alarm.</b> {safe(in_words(s))}</p>" for s in loud)
        panels.markup(f'<div class="wb-notice" role="status">{lines}</div>')
    muted = [s for s in found if s.alarm.muted_why is not None]
    if muted:
        said = "; ".join(f"{s.alarm.name} ({s.alarm.muted_why})" for s in muted)
        panels.markup(f'<p class="small">Muted alarms: {safe(said)}</p>')
    if news and any(s.alarm.is_loud for s in loud):
        with st.container(key="tone"):
            st.audio(tone(), format="audio/wav", autoplay=True)


@once
def sounding_now(picture: Picture) -> list[Sounding]:
    """The alarms over their threshold."""
    return sounding(alarms(picture.known), picture.answer, figures.names(picture))


@cache
def tone() -> bytes:
    """A plain tone as a WAV file."""
    count = int(RATE_HZ * TONE_SECONDS)
    samples = [int(12_000 * math.sin(2 * math.pi * TONE_HZ * n / RATE_HZ) * (1 - n / count)) for n in range(count)]
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(struct.pack(f"<{count}h", *samples))
    return file.getvalue()
