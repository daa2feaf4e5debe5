"""A client that speaks the daemon's messages, and holds each of them against the schemas of host/api/schema."""
import json
import os
import socket
import time

import jsonschema

from bench import TESTS

SCHEMA = TESTS.parent / "host/api/schema"


def validator(name):
    schema = json.loads((SCHEMA / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


REQUEST, ANSWER = validator("request"), validator("answer")
MAX_REQUEST, MAX_ANSWER = 64 << 10, 256 << 10


class Client:
    def __init__(self, path, timeout=120):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(timeout)  # only so that a failing test ends
        while True:
            try:
                self.socket.connect(str(path))
                break
            except BlockingIOError:  # more wait than the daemon's queue holds
                time.sleep(0.01)
        self.lines = self.socket.makefile("rb")
        self.events = []
        self.last_id = 0

    def close(self):
        self.lines.close()
        self.socket.close()

    def hello(self, folder="/", attached=False, program="a test"):
        return self.call("daemon.hello", messages=1, folder=str(folder), attached=attached, program=program)["result"]

    def send(self, method, **params):
        self.last_id += 1
        request = {"id": self.last_id, "method": method, "params": params}
        REQUEST.validate(request)
        self.socket.sendall(json.dumps(request).encode() + b"\n")
        return self.last_id

    def receive(self):
        """The next message; None when the daemon hung up."""
        try:
            line = self.lines.readline()
        except ConnectionResetError:
            return None
        if not line:
            return None
        assert len(line) <= MAX_ANSWER and line.endswith(b"\n"), line
        message = json.loads(line)
        ANSWER.validate(message)
        if "event" in message:
            self.events.append(message)
        return message

    def answer_to(self, request):
        while (message := self.receive()) is not None:
            if message.get("id") == request and "event" not in message:
                return message
        raise EOFError(f"the daemon hung up before it answered {request}")

    def call(self, method, **params):
        return self.answer_to(self.send(method, **params))

    def await_event(self, name, **facts):
        """Waits for an event, also one that has come already."""
        seen = 0
        while True:
            for event in self.events[seen:]:
                if event["event"] == name and all(event[key] == value for key, value in facts.items()):
                    return event
            seen = len(self.events)
            assert self.receive() is not None, f"the daemon hung up before {name}"


def open_descriptors(process):
    return len(os.listdir(f"/proc/{process}/fd"))
