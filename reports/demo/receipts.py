"""What the demo's receiver reads on the certificates of nuts and chocolate, before these are accepted."""

READ_AT_RECEIPT: dict[str, tuple[str, list[dict[str, str]], str]] = {
    "NUT": (
        "CP-NUT-1",
        [
            {
                "quantity": "Salmonella on the certificate of this lot",
                "outcome": "not found in the amount agreed",
            },
            {
                "quantity": "aflatoxin B1 and total on the certificate of this lot",
                "outcome": "within the limit for this nut and use",
            },
        ],
        "Certificate of the mill for lot {lot}: Salmonella not found in 5 x 25 g; aflatoxin B1 0.4 and total 0.9 µg/kg, "
        "by chromatography; roasted, for eating as they are.",
    ),
    "CHO": (
        "CP-CHO-1",
        [
            {
                "quantity": "Salmonella on the certificate of this lot",
                "outcome": "not found in the amount agreed",
            },
            {
                "quantity": "packs and the statement on file",
                "outcome": "packs unbroken and the statement is for this chocolate",
            },
        ],
        "Certificate of the maker for lot {lot}: Salmonella not found in 10 x 25 g. Sheet 31 is the one on file.",
    ),
}
"""By material: the point of the plan, what was read, and the values that the invented certificate gives."""
CERTIFICATE = b"%PDF-1.4\n% a supplier's certificate, of this demo only\n%%EOF\n"
