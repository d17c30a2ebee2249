"""Calendars: the iCalendar feed, its keys and its bytes."""
