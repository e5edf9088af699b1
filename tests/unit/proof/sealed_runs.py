"""Small invented runs, sealed and printed: what verification is tried on."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import typst
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.proof.pdf_seal import sealed_pdf
from benchwarden.proof.seal import attachment_seal, seal_journal, write_seal
from benchwarden.proof.signing import Signer
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import BURST_DTYPE
from wardenfw import wire

BOOT = 0x51D2A7
T0_MS = 4_200
MADE_AT = "2026-11-29T12:00:00Z"
NOW = "2026-11-29T13:00:00Z"
# The secret of RFC 8032, 7.1, test 1; any key would do.
SIGNER = Signer(
    Ed25519PrivateKey.from_private_bytes(
        bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    )
)
HEADER = {
    "run": "20261129T110000Z-demo",
    "run_type": "power-up",
    "virtual": False,
    "started_at_utc": "2026-11-29T11:00:00Z",
    "t0_ms": T0_MS,
    "unit": {"model": "Brackwater Integrated 60", "serial": "00417"},
    "plan": [{"name": "idle soak", "hold_s": 180.5}],
    "host_version": "0.1.0",
    "board": {"board": "e66164084319632e", "fw": "0.1.0", "wire": 2, "program_digest": "ab12", "cal": "uncalibrated"},
}
VERDICT = {"verdict": "pass", "trips": [], "warnings": [], "metrics": {"sentence": "idle settled"}}


def frames(count: int, first: int = 0, seed: int = 1) -> np.ndarray:
    """Return frames 100 ms apart; number `first` comes `first` tenths of a second after run start."""
    rng = np.random.default_rng(seed)
    out = np.zeros(count, FRAME_DTYPE)
    out["t_ms"] = T0_MS + 100 * (first + np.arange(count))
    out["scan"] = np.arange(count)
    out["valid"] = 0x1FFF
    for name in ("mean", "min", "max"):
        out[name] = rng.normal(0, 1, (count, 13)).astype(np.float32).round(2)
    return out


def seqs(first: int, count: int) -> np.ndarray:
    return np.arange(first, first + count, dtype=np.uint32)


def event(t_ms: int, text: str = "") -> bytes:
    return bytes(wire.pack_event(t_ms, wire.EV_OPENED, 0, 255, wire.SAFE, 1, 0.0, 0.0, text))


def write_journal(run_dir: Path, count: int = 1800, commit: int = 100, header: dict[str, Any] | None = None) -> Path:
    """Write a run of `count` frames (three minutes), `commit` of them at a time."""
    with Journal.create(run_dir, header or HEADER) as journal:
        run = frames(count)
        for first in range(0, count, commit):
            part = run[first : first + commit]
            journal.append_frames(BOOT, seqs(first + 1, len(part)), part)
            journal.commit()
        for number in range(1, 6):
            journal.append_event(BOOT, number, event(T0_MS + 1000 * number))
        journal.append_note("stage", 0.0, {"name": "idle soak", "status": "now"})
        journal.append_note("operator", 60.0, {"text": "looked at — fine"})
        journal.append_note("verdict", 180.0, VERDICT)
        burst = np.zeros(20, BURST_DTYPE)
        burst["t_ms"] = np.arange(20)
        journal.append_burst(BOOT, 3, 20, 10, burst.tobytes())
    return run_dir


def samples_csv(rows: int = 180) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["t_s", "rail_pos_v"])
    writer.writerows([[k, round(42 + 0.01 * (k % 7), 3)] for k in range(rows)])
    return out.getvalue().encode()


def printed(head: str, attached: dict[str, bytes], title: str = "Record") -> bytes:
    """Return a PDF/A-3b of two pages with these files attached, as the record is printed."""
    lines = [
        f'#set document(title: "{title}", date: datetime(year: 2026, month: 11, day: 29))',
        "#set page(height: 8cm)",
    ]
    inputs = {}
    for number, (name, data) in enumerate(attached.items()):
        inputs[f"a{number}"] = data.decode("utf-8")
        lines.append(
            f'#pdf.attach("{name}", bytes(sys.inputs.at("a{number}")), relationship: "data", '
            f'mime-type: "text/plain", description: "{name}")'
        )
    lines.append(f"= {title}\n{head}\n#pagebreak()\n{head}")
    return bytes(
        typst.compile(
            "\n".join(lines).encode(),
            format="pdf",
            ignore_system_fonts=True,
            pdf_standards=["a-3b"],
            sys_inputs=inputs,
        )
    )


def record_pdf(run_dir: Path, signer: Signer | None = None) -> bytes:
    """Return the sealed record of a run with its four attachments."""
    seal = seal_journal(run_dir, MADE_AT)
    data = {
        "samples.csv": samples_csv(),
        "verdict.json": json.dumps(VERDICT).encode(),
        "job.json": b'{"number":"2041"}',
    }
    inside = {**data, "seal.json": attachment_seal(seal, data, signer)}
    return sealed_pdf(printed(seal.head, inside), seal.head, signer)


def sealed_run(run_dir: Path, signer: Signer | None = None, count: int = 1800) -> Path:
    """Write a run with everything that stands in its folder, sealed."""
    write_journal(run_dir, count)
    (run_dir / "verdict.json").write_text(json.dumps(VERDICT, indent=1), encoding="utf-8")
    (run_dir / "recording.csv").write_bytes(samples_csv(400))
    (run_dir / "job.json").write_text('{"number": "2041", "customer": "M. Lindqvist"}', encoding="utf-8")
    (run_dir / "unit.toml").write_text('model = "Brackwater Integrated 60"\n', encoding="utf-8")
    (run_dir / "status.json").write_text("{}", encoding="utf-8")
    (run_dir / "record.pdf").write_bytes(record_pdf(run_dir, signer))
    write_seal(run_dir, seal_journal(run_dir, MADE_AT), signer)
    return run_dir
