"""One module a kind of letter, named as the kind (with _ for -): `CONTENT` is what its templates are given."""
