"""The certificates of a line to a broker."""

from __future__ import annotations

import ssl

from monitor.core.terms.settings import Broker
from monitor.errors import ConfigError


def tls_context(broker: Broker, where: str) -> ssl.SSLContext | None:
    """None where the line is not encrypted. Raises ConfigError, which says ``where``, when the files cannot be used."""
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
        if broker.cert_file is not None:
            context.load_cert_chain(broker.cert_file, broker.key_file)
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(
            f"the certificates for the broker cannot be used ({error})",
            where=where,
            fix="check ca_file, cert_file and key_file: PEM files that this user may read",
        ) from error
    return context
