"""The commands, a module a room; `cli` puts them together. They print, and leave all work to the rooms."""
