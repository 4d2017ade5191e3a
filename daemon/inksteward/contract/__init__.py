"""The public contract: topics and payloads, version 1, as strict models."""

from inksteward.contract.base import FieldError, Payload, Refused, decode, parse_object

__all__ = ["FieldError", "Payload", "Refused", "decode", "parse_object"]
