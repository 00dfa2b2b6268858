"""What open tariff files offered and what was taken of them: as text and as a record."""

from __future__ import annotations

from optimizer.report.shapes import OfferRecord, OpenFileRecord, TariffReadingRecord
from optimizer.report.wrapping import filled
from optimizer.workflows.read_tariff import TariffReading


def tariff_reading_text(reading: TariffReading) -> str:
    """Return what was read: files, what they offer with what was taken, and from when it holds."""
    chosen = reading.chosen
    lines = [f"READ {chosen.name}" if chosen.numbers else "TARIFFS TO CHOOSE FROM"]
    number = 0
    for listing in chosen.listings:
        lines += ["", f"  {listing.path}: {listing.form}, {listing.publisher}"]
        for offer in listing.offers:
            number += 1
            taken = "taken" if number in chosen.numbers else ""
            told = f"cannot be read: {offer.refused.what}" if offer.refused else taken
            kind = f"{offer.kind}, standard" if offer.is_standard else offer.kind
            words = f"{number} {offer.name} ({kind})"
            lines.append(filled(f"{words}: {told}" if told else words, "    ", "      "))
        lines.append(filled(f"source: {listing.attribution}", "    ", "      "))
    if chosen.first_days:
        days = ", ".join(map(str, chosen.first_days))
        lines += ["", filled(f"versions from: {days}", "  ", "    ")]
    return "\n".join(lines)


def tariff_reading_record(reading: TariffReading, then: str) -> TariffReadingRecord:
    """Return the same as plain values, with the text of the tariff."""
    chosen = reading.chosen
    files: list[OpenFileRecord] = [
        {
            "file": str(listing.path),
            "form": listing.form,
            "publisher": listing.publisher,
            "attribution": listing.attribution,
        }
        for listing in chosen.listings
    ]
    offers: list[OfferRecord] = [
        {
            "number": number,
            "name": offer.name,
            "type": offer.kind,
            "file": str(offer.path),
            "is_standard": offer.is_standard,
            "is_taken": number in chosen.numbers,
            "refused": None if offer.refused is None else str(offer.refused),
        }
        for number, offer in enumerate(chosen.offers, start=1)
    ]
    return {
        "files": files,
        "offers": offers,
        "tariff": chosen.name,
        "versions_from": [day.isoformat() for day in chosen.first_days],
        "text": chosen.text,
        "remarks": list(chosen.remarks),
        "written": None if reading.written is None else str(reading.written),
        "next": then,
    }
