"""Who is on call when: shifts of the calendar file and of the table, put together. Tells nobody and moves no date."""

from .roster import Gap, Rota, Shift

__all__ = ["Gap", "Rota", "Shift"]
