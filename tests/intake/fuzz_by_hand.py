"""
A target for the coverage-guided fuzzer atheris, to be run by hand.

``pip install atheris``, then ``python tests/intake/fuzz_by_hand.py -max_total_time=600``. It stops
at the first file that brings anything but an `SpcError`, or an account that does not add up.
"""

import sys


def main():
    import atheris

    with atheris.instrument_imports(include=["spc.intake", "spc.units"]):
        from spc.errors import SpcError
        from spc.intake.csv_file import read_sheet_text
        from spc.intake.decoding import text_of
        from spc.intake.reading import run_of
    from spc.plan import read_plan

    plan = read_plan(
        b'[job]\npart = "Shaft"\n'
        b'[[feature]]\nname = "seat A"\nnominal = 25.0\nupper = 0.011\nlower = 0.002\n'
        b'[[feature]]\nname = "seat B"\nnominal = 20.0\nupper = 0.0\nlower = -0.013\n'
        b'[shifts]\nzone = "Europe/Paris"\n',
        source="plan.toml",
    )
    heads = (
        b"",
        b"time,part,seat A,seat B,event,amount_um\n",
        b"Teil;Merkmal;Messwert;Einheit\n",
        b"part\tseat A 1\tseat A 2\tTemp\n",
        b"seat A\n",
    )

    def one_input(data):
        head, body = heads[data[0] % len(heads)] if data else b"", data[1:]
        try:
            text = text_of("run.csv", head + body, code_page="cp1252")
            run = run_of([read_sheet_text(text, plan)], plan)
        except SpcError:
            return
        ends = ("measurements", "rejected", "blank", "identical", "summary")
        if run.account["cells"] != sum(run.account[end] for end in ends):
            raise AssertionError(run.account)

    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
