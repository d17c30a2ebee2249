"""Which sites are closed on a day, for who tells of cases; rounds read the same from `register.closures`."""

from ..register.closures import ClosedSite, Closure, all_closures, closed, closed_now, spell_on

__all__ = ["ClosedSite", "Closure", "all_closures", "closed", "closed_now", "spell_on"]
