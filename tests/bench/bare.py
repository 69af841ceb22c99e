"""A bare FastAPI and SQLAlchemy route that does one insert: what an answer is measured against."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import uvicorn
from fastapi import FastAPI, Form
from sqlalchemy import Column, MetaData, String, Table, insert

from server.storage.engine import Database

tables = MetaData()
note = Table("note", tables, Column("id", String, primary_key=True), Column("words", String))


def main() -> None:
    """Serve ``POST /insert`` on the port and database file given."""
    port, path = int(sys.argv[1]), Path(sys.argv[2])
    database = Database(f"sqlite:///{path}")
    tables.create_all(database.write_engine)
    app = FastAPI()

    @app.post("/insert")
    def insert_one(id: Annotated[str, Form()], words: Annotated[str, Form()]) -> dict[str, str]:
        with database.writing() as session:
            session.execute(insert(note).values(id=id, words=words))
        return {"id": id}

    uvicorn.run(app, port=port, log_level="warning")


if __name__ == "__main__":
    main()
