"""Files of prepress made by hand, and a small writer of PPF."""

from __future__ import annotations

from pathlib import Path

DATA = Path(__file__).resolve().parents[1] / "data" / "prepress"
XJDF, JDF, PPF = DATA / "zones.xjdf", DATA / "zones.jdf", DATA / "minimal.ppf"
SPACE = "http://www.CIP4.org/JDFSchema_2_0"


def changed(path: Path, source: Path, old: str, new: str) -> Path:
    """A copy with one thing changed, which must stand in it."""
    text = source.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")
    return path


def image(data: bytes, width: int, height: int, **entries: str) -> bytes:
    """One separation of a PPF; ``data`` is what stands behind the operator, white space included."""
    told = {
        "Width": str(width),
        "Height": str(height),
        "BitsPerComp": "8",
        "Components": "1",
        "Matrix": f"[{width} 0 0 -{height} 0 {height}]",
        "Resolution": "[25.4 25.4]",
        "Encoding": "/ASCIIHexDecode",
        "Compression": "/None",
        **entries,
    }
    lines = "".join(f"/CIP3PreviewImage{key} {value} def\n" for key, value in told.items())
    return b"CIP3BeginSeparation\n" + lines.encode() + b"CIP3PreviewImage" + data + b"\nCIP3EndSeparation\n"


def ppf(*images: bytes, names: str = "(Cyan)", head: str = "", side: str = "Front") -> bytes:
    """A PPF of one sheet and side."""
    return (
        (
            f"%!PS-Adobe-3.0\n%%CIP3-File Version 3.0\nCIP3BeginSheet\n{head}\nCIP3Begin{side}\n"
            f"/CIP3AdmSeparationNames [{names}] def\nCIP3BeginPreviewImage\n"
        ).encode()
        + b"".join(images)
        + f"CIP3EndPreviewImage\nCIP3End{side}\nCIP3EndSheet\n%%CIP3EndOfFile\n".encode()
    )
