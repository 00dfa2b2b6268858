"""Ground for all rooms: errors, units, documents, time, calendar, flows, files."""
