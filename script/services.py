"""Finds the PostgreSQL and the Redis that the tests may use: ``services.py postgresql|redis`` prints an address.

From TEST_DATABASE_URL or TEST_REDIS_URL, else on this machine's loopback address. Nothing is printed, and the exit
code is 1, where none answers. A Redis found on the loopback address is given with the number of an empty database;
``services.py forget ADDRESS`` empties it again.
"""

import os
import sys

import psycopg
import redis


def postgresql() -> str | None:
    """An address under which tests can make databases; each run gets a name of its own."""
    given = os.environ.get("TEST_DATABASE_URL")
    server = given or "postgresql://postgres@127.0.0.1:5432"
    try:  # the database named need not be there: the tests make one of their own
        psycopg.connect(server, dbname="postgres", connect_timeout=3).close()
    except psycopg.OperationalError as error:
        print(f"PostgreSQL does not answer: {error}", file=sys.stderr)
        return None
    return given or f"{server}/records_check_{os.getppid()}"


def redis_broker() -> str | None:
    """The address given, or the highest numbered empty database of the local server."""
    given = os.environ.get("TEST_REDIS_URL")
    candidates = [given] if given else [f"redis://127.0.0.1:6379/{number}" for number in range(15, 0, -1)]
    try:
        for url in candidates:
            with redis.Redis.from_url(url, socket_connect_timeout=3) as client:
                if client.dbsize() == 0 or given:
                    return url
    except redis.RedisError as error:
        print(f"Redis does not answer: {error}", file=sys.stderr)
        return None
    print("None of Redis' databases 1 to 15 is empty: name one in TEST_REDIS_URL", file=sys.stderr)
    return None


def forget(url: str) -> None:
    if url != os.environ.get("TEST_REDIS_URL"):
        with redis.Redis.from_url(url) as client:
            client.flushdb()


if __name__ == "__main__":
    if sys.argv[1] == "forget":
        forget(sys.argv[2])
        sys.exit()
    found = {"postgresql": postgresql, "redis": redis_broker}[sys.argv[1]]()
    if found is None:
        sys.exit(1)
    print(found)
