"""How somebody shows who they are: passwords, passkeys, tokens. No database, no web."""
