"""The store: tables, column types, migrations and units of work. Knows no rule of the trade."""
