"""The rehearsal: the coming days on paper, by the same code on a copy in memory. Writes nothing, sends nothing."""
