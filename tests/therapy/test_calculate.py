"""The command that lets an auditor check any figure from outside."""

import io
import json
import subprocess
import sys
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from screening import calculation as screening
from screening import measures, news2
from therapy import calculate
from therapy.calculations import REGISTRY
from therapy.outcomes import rules as outcomes
from therapy.reassessment import rules as reassessment
from therapy.scheduling import windows
from therapy.scheduling.solving import checking, solve


@pytest.fixture
def run(monkeypatch, capsys):
    """Run the command in this process: text in, (exit code, standard output, standard error) out."""

    def call(*arguments, text=""):
        raw = text if isinstance(text, bytes) else text.encode()
        monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(raw)))
        code = calculate.main(arguments)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


def test_the_command_needs_no_django_no_celery_and_no_settings():
    script = "import sys; import therapy.calculate as c; c.main(['--list']); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.splitlines()[-1].split()}
    assert loaded.isdisjoint({"django", "celery", "rest_framework", "weasyprint"})
    assert "therapy.scheduling.models" not in done.stdout


def test_each_name_leads_to_the_very_function_that_services_call():
    assert REGISTRY["screening-result"].function is screening.screening_result
    assert REGISTRY["delivered"].function is outcomes.delivered
    assert REGISTRY["proportion"].function is outcomes.proportion
    assert REGISTRY["news2"].function is news2.news2
    assert REGISTRY["device-range"].function is measures.device_range
    assert REGISTRY["peak-cough-flow"].function is measures.peak_cough_flow
    assert REGISTRY["due-windows"].function is windows.due_windows
    assert REGISTRY["reassessment-due"].function is reassessment.reassessment_due
    assert REGISTRY["day-schedule"].function is solve.schedule_day
    assert REGISTRY["check-schedule"].function is checking.check_schedule


def test_services_and_selectors_call_the_functions_of_the_registry():
    from therapy.outcomes import selectors as outcome_selectors
    from therapy.reassessment import selectors as reassessment_selectors
    from therapy.scheduling import window_services

    assert outcome_selectors.rules.delivered is REGISTRY["delivered"].function
    assert outcome_selectors.rules.proportion is REGISTRY["proportion"].function
    assert reassessment_selectors.reassessment_due is REGISTRY["reassessment-due"].function
    assert window_services.due_windows is REGISTRY["due-windows"].function


def test_every_calculation_has_an_example_that_works_and_a_schema_that_knows_its_fields(run):
    code, listed, _ = run("--list")
    assert code == 0
    assert listed.split() == list(REGISTRY)
    for name in REGISTRY:
        _, example, _ = run("--example", name)
        _, schema, _ = run("--schema", name)
        code, out, err = run(name, text=example)
        assert (code, err) == (0, ""), name
        answer = json.loads(out)
        assert answer["ok"], name
        assert answer["about"]["calculation"] == name
        assert answer["about"]["sources"], name
        known = json.loads(schema)
        assert set(json.loads(example)) <= set(known["properties"]), name
        assert set(known["required"]) <= set(json.loads(example)), name


def test_one_object_in_gives_one_object_out_and_the_case_is_echoed(run):
    text = '{"case": {"row": 7}, "exhaled_volume_ml": 900, "exhalation_time_s": 3.6}'
    code, out, _ = run("device-range", text=text)
    answer = json.loads(out)
    assert code == 0
    assert answer["case"] == {"row": 7}
    assert answer["result"]["range"] == "repeat"
    assert answer["result"]["mean_flow_l_per_min"] == 15


def test_an_array_keeps_its_order_and_one_refused_case_does_not_stop_the_others(run):
    cases = [{"case": i, "successes": i, "trials": 2} for i in range(4)]
    code, out, _ = run("proportion", text=json.dumps(cases))
    answers = json.loads(out)
    assert code == 1
    assert [a["case"] for a in answers] == [0, 1, 2, 3]
    assert [a["ok"] for a in answers] == [True, True, True, False]
    assert answers[3]["errors"][0]["code"] == "inconsistent"


def test_json_lines_and_csv_are_answered_a_line_each(run):
    lines = '{"successes": 1, "trials": 4}\n\n{"successes": 3, "trials": 4}\n'
    _, out, _ = run("proportion", "--in", "jsonl", text=lines)
    assert [json.loads(line)["result"]["share"] for line in out.splitlines()] == [0.25, 0.75]
    table = "\ufeffcase,exhaled_volume_ml,exhalation_time_s\r\na,900,3.6\r\nb,,3\r\nc,901,3.6\r\n"
    code, out, _ = run("device-range", "--in", "csv", text=table)
    first, second, third = map(json.loads, out.splitlines())
    assert code == 1
    assert (first["case"], first["result"]["range"]) == ("a", "repeat")
    assert second["errors"][0]["field"] == "/exhaled_volume_ml"
    assert second["errors"][0]["code"] == "missing"
    assert third["result"]["range"] == "high-flow"


def test_lists_stand_as_json_in_a_csv_cell(run):
    _, example, _ = run("--example", "delivered")
    case = json.loads(example)
    cell = json.dumps(case["windows"]).replace('"', '""')
    table = f'windows,from,to\n"{cell}",{case["from"]},{case["to"]}\n'
    code, out, _ = run("delivered", "--in", "csv", text=table)
    assert code == 0
    assert json.loads(out)["result"]["due"] == 3


def errors_of(run, name, case):
    code, out, _ = run(name, text=json.dumps(case))
    assert code == 1
    return {error["field"]: error for error in json.loads(out)["errors"]}


def test_every_fault_is_named_at_once_with_its_place_and_what_is_allowed(run):
    found = errors_of(run, "device-range", {"exhaled_volume_ml": "a lot", "exhalation_s": 4})
    assert found["/exhaled_volume_ml"]["code"] == "wrong_type"
    assert found["/exhalation_time_s"]["code"] == "missing"
    assert found["/exhalation_s"]["code"] == "unknown_field"
    found = errors_of(run, "device-range", {"exhaled_volume_ml": 0, "exhalation_time_s": 121})
    assert found["/exhaled_volume_ml"]["code"] == "out_of_range"
    assert found["/exhaled_volume_ml"]["got"] == 0
    assert found["/exhalation_time_s"]["allowed"] == "more than 0, at most 120"


def test_true_is_not_a_number_and_a_broken_zone_or_instant_is_refused(run):
    for wrong in (True, 0.5, "1", [1]):
        found = errors_of(run, "proportion", {"successes": wrong, "trials": 2})
        assert found["/successes"]["code"] == "wrong_type"
    case = json.loads(run("--example", "reassessment-due")[1])
    case["settings"]["time_zone"] = "Mars/Olympus"
    case["now"] = "2026-11-18T08:00:00"
    case["events"][0]["kind"] = "tea"
    found = errors_of(run, "reassessment-due", case)
    assert set(found) == {"/settings/time_zone", "/now", "/events/0/kind"}


def test_a_part_treatment_without_its_dose_and_a_missed_one_without_its_reason_are_refused(run):
    case = json.loads(run("--example", "delivered")[1])
    case["windows"][1]["sets_done"] = None
    assert errors_of(run, "delivered", case)["/windows/1/sets_done"]["code"] == "missing"
    case = json.loads(run("--example", "delivered")[1])
    case["windows"][2]["reason_group"] = None
    assert errors_of(run, "delivered", case)["/windows/2/reason_group"]["code"] == "missing"


def test_cough_flow_below_twelve_years_does_not_apply(run):
    found = errors_of(run, "peak-cough-flow", {"flow_l_per_min": 150, "age_years": 11})
    assert found["/age_years"]["code"] == "not_applicable"


def test_news2_wants_every_sign_and_names_each_that_is_missing(run):
    case = json.loads(run("--example", "news2")[1])
    signs = [name for name in case if name != "age_years"]
    found = errors_of(run, "news2", case | dict.fromkeys(signs))
    assert {field: error["code"] for field, error in found.items()} == {
        f"/{name}": "missing" for name in signs
    }


def test_news2_says_what_is_allowed_and_where_it_does_not_apply(run):
    case = json.loads(run("--example", "news2")[1])
    assert errors_of(run, "news2", case | {"spo2_percent": 49})["/spo2_percent"]["allowed"] == "50..100"
    assert errors_of(run, "news2", case | {"age_years": 15})["/age_years"]["code"] == "not_applicable"
    assert errors_of(run, "news2", case | {"pregnant": True})["/pregnant"]["code"] == "not_applicable"
    assert errors_of(run, "news2", case | {"consciousness": "N"})["/consciousness"]["code"] == "out_of_range"
    assert errors_of(run, "news2", case | {"spo2_scale": 3})["/spo2_scale"]["code"] == "out_of_range"
    assert errors_of(run, "news2", case | {"on_oxygen": 1})["/on_oxygen"]["code"] == "wrong_type"


def test_news2_reads_a_row_of_csv_and_gives_total_points_and_band(run):
    head = (
        "age_years,pregnant,respiratory_rate_per_min,spo2_percent,spo2_scale,on_oxygen,systolic_mmhg,"
        "pulse_per_min,consciousness,temperature_c"
    )
    # Worked by hand from the chart of the Royal College of Physicians, 2017: 2+2+2+1+1+0+1.
    code, out, _ = run("news2", "--in", "csv", text=f"{head}\n68,false,22,93,1,true,105,95,A,38.2\n")
    answer = json.loads(out)
    assert code == 0
    assert answer["result"]["total"] == 9
    assert answer["result"]["band"] == "high"
    assert answer["result"]["points"] == {
        "respiratory_rate": 2, "spo2": 2, "oxygen": 2, "systolic": 1, "pulse": 1, "consciousness": 0,
        "temperature": 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("no-such-figure",), "{}"),
        ((), "{}"),
        (("proportion",), "{"),
        (("proportion",), "7"),
        (("proportion",), ""),
        (("proportion",), '{"successes": NaN, "trials": 2}'),
        (("proportion",), '{"successes": 1, "successes": 2, "trials": 2}'),
        (("proportion",), '{"successes": ' + "9" * 5000 + ', "trials": 2}'),
        (("proportion",), b"\xff\xfe"),
        (("proportion",), "[" * 100_000),
        (("proportion", "--in", "jsonl"), '{"successes": 1, "trials": 2}\nnonsense\n'),
        (("proportion", "--in", "csv"), ""),
        (("proportion", "--in", "csv"), "trials,trials\n1,2\n"),
        (("proportion", "--in", "csv"), "successes,trials\n1,2,3\n"),
        (("proportion", "--in", "csv"), 'successes,trials\n"1,2\n'),
    ],
)  # fmt: skip
def test_input_that_cannot_be_read_ends_with_two_and_says_so_on_standard_error_only(run, arguments, text):
    code, out, err = run(*arguments, text=text)
    assert code == 2
    assert out == ""
    assert err


def test_a_number_of_absurd_size_is_refused_at_once(run):
    found = errors_of(run, "device-range", {"exhaled_volume_ml": 1e300, "exhalation_time_s": 4})
    assert found["/exhaled_volume_ml"]["code"] == "out_of_range"
    code, out, _ = run("device-range", text='{"exhaled_volume_ml": 1e999999, "exhalation_time_s": 4}')
    assert code == 1
    assert json.loads(out)["errors"][0]["code"] == "out_of_range"


def test_an_empty_array_is_answered_with_one(run):
    assert run("proportion", text="[]")[:2] == (0, "[]\n")


def test_the_schema_of_a_screening_lists_each_row_with_its_words(run):
    known = json.loads(run("--schema", "screening-result")[1])
    answers = known["properties"]["answers"]["properties"]
    assert "osteoporosis" in answers["osteoporosis"]["description"].lower()
    assert "mmHg" in answers["icp_mmhg"]["description"]
    assert len(answers) > 80


def test_a_row_and_its_number_that_disagree_are_refused_as_inconsistent(run):
    answers = json.loads(run("--schema", "screening-result")[1])["properties"]["answers"]["properties"]
    row = next(key for key in answers if key.startswith("icp_") and key != "icp_mmhg")
    case = {"answers": {"icp_mmhg": 10, row: "yes"}}
    assert {error["code"] for error in errors_of(run, "screening-result", case).values()} == {"inconsistent"}


LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**12), 10**12),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=8),
    st.sampled_from(["2026-02-30", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00", "UTC", "24:00"]),
    st.lists(st.integers(), max_size=2),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


def places(value, at=()):
    """Every place in an input, the whole included."""
    yield at
    for key in value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ():
        yield from places(value[key], (*at, key))


def put(value, place, leaf):
    """The input with something else at one place."""
    if not place:
        return leaf
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[place[0]] = put(value[place[0]], place[1:], leaf)
    return copy


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_whatever_is_given_is_answered_or_refused_and_never_breaks_off(data):
    calculation = REGISTRY[data.draw(st.sampled_from(sorted(REGISTRY)))]
    case = json.loads(json.dumps(calculation.example))
    place = data.draw(st.sampled_from(list(places(case))))
    text = json.dumps(put(case, place, data.draw(LEAVES)))
    found = calculate.answer(calculation, calculate.read_json(text, "the text"))
    written = json.loads(json.dumps(found, allow_nan=False, default=str))
    assert written["ok"] or all(error["code"] and error["message"] for error in written["errors"])
