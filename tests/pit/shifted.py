"""A sample log at another time of its day: as many passes as a test needs."""

from __future__ import annotations

from speedlog.demo import sample_folder

SAMPLE = sample_folder()


def shifted(name: str, minutes: int) -> bytes:
    """An NMEA log some minutes later on the same day, its checksums made again (NMEA 0183: XOR of the characters)."""
    lines = []
    for line in (SAMPLE / name).read_bytes().decode("ascii").splitlines():
        body = line.strip().lstrip("$").partition("*")[0]
        parts = body.split(",")
        place = 1 if parts[0].endswith(("RMC", "GGA")) else None
        if place is None:
            lines.append(line.strip())
            continue
        hours, mins, rest = int(parts[place][:2]), int(parts[place][2:4]), parts[place][4:]
        total = hours * 60 + mins + minutes
        parts[place] = f"{total // 60 % 24:02d}{total % 60:02d}{rest}"
        text = ",".join(parts)
        check = 0
        for character in text:
            check ^= ord(character)
        lines.append(f"${text}*{check:02X}")
    return ("\r\n".join(lines) + "\r\n").encode("ascii")
