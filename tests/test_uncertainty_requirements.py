"""Thirty things a metrologist asks of such a tool, and the test that answers each.

Every test named here must exist. Where none is named, the reason is given instead. Run as
a program it prints the table.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parent

# number: (what is asked, clause from memory, tests as "file::name", reason where there is none)
REQUIREMENTS: dict[int, tuple[str, str, tuple[str, ...], str]] = {
    1: (
        "The measurand is a volume between two named instants with a zone",
        "JCGM 100 4.1",
        ("balance_intake::test_instants_with_and_without_zone",),
        "",
    ),
    2: (
        "The model names every correction, those of zero included",
        "JCGM 100 4.1.2",
        ("uncertainty_propagation::test_constant_head_closed_form",),
        "",
    ),
    3: (
        "Known effects are corrected, not hidden in a wider interval",
        "JCGM 100 3.2.4",
        (
            "uncertainty_noise::test_subtracting_the_bias_restores_the_volume",
            "effluent_model::test_visits_shrink_the_interval_and_correct_the_zero",
        ),
        "",
    ),
    4: (
        "The invoice's arithmetic stays apart from measurement",
        "-",
        ("auditing::test_the_right_totals_are_recomputed_to_the_cent",),
        "",
    ),
    5: (
        "Each input has value, spread, shape, freedom, source and persistence",
        "JCGM 100 4.3",
        (
            "uncertainty_draws::test_nonsense_is_refused",
            "uncertainty_draws::test_shared_cause_moves_two_shapes_together",
            "balance_expected::test_two_meters_of_one_reference_share_their_error",
            "uncertainty_causes::test_every_method_lists_a_default_for_every_cause",
        ),
        "",
    ),
    6: (
        "Limits become standard uncertainties by a declared rule",
        "JCGM 100 4.3.7",
        (
            "uncertainty_guides::test_limits_become_standard_uncertainties",
            "case::test_spreads_in_the_words_of_the_gum",
        ),
        "",
    ),
    7: (
        "Averages of a log allow for its memory",
        "JCGM 100 4.2.7",
        (
            "uncertainty_noise::test_month_of_autocorrelated_readings",
            "uncertainty_noise::test_mean_of_correlated_readings_covers_the_truth",
        ),
        "",
    ),
    8: (
        "Zero checks are used with their dates, drift between them",
        "JCGM 100 F.2.4.5",
        (
            "uncertainty_zero::test_posterior_is_calibrated_in_simulation",
            "uncertainty_zero::test_contradicting_visit_is_named",
            "effluent_model::test_a_random_walk_of_the_zero_is_right_within_every_period",
        ),
        "",
    ),
    9: (
        "Draws and the linear formula stand side by side",
        "JCGM 101 5",
        (
            "uncertainty_propagation::test_correlated_inputs_equal_both_libraries",
            "effluent_model::test_first_order_and_draws_agree_where_the_model_is_nearly_linear",
            "uncertainty_linear::test_every_volume_and_charge_has_both_results",
        ),
        "",
    ),
    10: (
        "The linear result is validated or refused by comparison",
        "JCGM 101 8",
        (
            "uncertainty_guides::test_mass_calibration_draws_and_validation",
            "uncertainty_propagation::test_one_good_end_does_not_validate",
            "uncertainty_linear::test_amounts_that_only_rounding_moves_are_not_linear",
        ),
        "",
    ),
    11: (
        "Number of draws adaptive or its error shown; seed fixed",
        "JCGM 101 7.9",
        (
            "uncertainty_propagation::test_adaptive_draws_stop_when_stable",
            "uncertainty_linear::test_draws_are_added_until_every_figure_is_stable",
            "uncertainty_stability::test_both_callers_follow_the_clause",
            "uncertainty_draws::test_stated_numerical_errors_are_the_observed_ones",
            "uncertainty_draws::test_draws_are_the_same_in_another_process",
        ),
        "",
    ),
    12: (
        "Interval with its probability and kind",
        "JCGM 101 7.7",
        (
            "uncertainty_draws::test_symmetric_interval_counts_as_the_guide_does",
            "uncertainty_draws::test_shortest_interval_by_hand",
        ),
        "",
    ),
    13: (
        "Budget by cause with signs",
        "JCGM 100 7.2.7",
        (
            "uncertainty_propagation::test_budget_shares_against_hand_figures",
            "uncertainty_linear::test_the_budget_says_which_way_each_cause_acts",
            "uncertainty_linear::test_halving_a_cause_equals_drawing_again_with_half_of_it",
        ),
        "",
    ),
    14: (
        "Head near zero and outside limits treated explicitly",
        "JCGM 101 9.4",
        (
            "uncertainty_propagation::test_head_near_zero_fails_the_linear_formula",
            "effluent_model::test_heads_near_zero_keep_the_kink",
        ),
        "",
    ),
    15: (
        "Gaps and sampling interval widen the interval",
        "-",
        (
            "uncertainty_noise::test_gap_filled_by_the_mean_of_the_other_days",
            "uncertainty_noise::test_snapshots_against_simulation",
            "effluent_integrate::test_the_hold_out_error_is_the_error_of_filling",
        ),
        "",
    ),
    16: (
        "Splitting or reordering does not change the result",
        "-",
        (
            "uncertainty_noise::test_splitting_a_record_keeps_its_variance",
            "uncertainty_draws::test_draws_depend_on_seed_and_key_only",
            "effluent_integrate::test_splitting_a_span_keeps_its_volume",
        ),
        "",
    ),
    17: (
        "Uncertainty to one or two digits, estimate to the same place",
        "JCGM 100 7.2.6",
        (),
        "not followed: findings.json keeps every digit, pages write estimate, uncertainty and "
        "interval to places of their own; draws are added until the digits asked for stand still",
    ),
    18: (
        "The decision rule is declared beforehand",
        "JCGM 106 8",
        (
            "uncertainty_decision::test_rule_in_words",
            "uncertainty_decision::test_rules_out_of_range_are_refused",
        ),
        "",
    ),
    19: (
        "Undecided is an outcome and says what would settle it",
        "JCGM 106 8",
        (
            "uncertainty_decision::test_four_findings",
            "uncertainty_decision::test_undecided_says_how_narrow_the_interval_must_be",
        ),
        "",
    ),
    20: (
        "Allegation by guarded rejection, certificate by guarded acceptance",
        "JCGM 106 8.3",
        (
            "uncertainty_decision::test_one_sided_rule_meets_its_closed_limit",
            "uncertainty_decision::test_speed_control",
        ),
        "",
    ),
    21: (
        "Conformance probability and specific risk are printed",
        "JCGM 106 7, 9.3",
        (
            "uncertainty_decision::test_probabilities_against_the_normal_formula",
            "uncertainty_decision::test_risk_of_a_supported_bill_counts_both_limits",
        ),
        "",
    ),
    22: (
        "The billed figure may be uncertain; common causes cancel",
        "JCGM 100 F.1.2",
        ("uncertainty_decision::test_bill_with_draws_of_its_own",),
        "",
    ),
    23: (
        "Several periods do not multiply chances",
        "-",
        (
            "uncertainty_decision::test_families_do_not_multiply_chances",
            "uncertainty_decision::test_without_family_rule_chances_multiply",
        ),
        "",
    ),
    24: (
        "Redundant flows are reconciled after a global test",
        "-",
        (
            "balance_reconcile::test_conflict_is_not_averaged",
            "balance_reconcile::test_one_balance_cannot_name_the_culprit",
        ),
        "",
    ),
    25: (
        "Competing explanations with priors and a none-of-these",
        "-",
        (
            "explanations_ranking::test_table_holds_every_explanation_and_none_of_these",
            "explanations_bayes::test_coin_with_115_of_200",
            "explanations_bayes::test_priors_shift_odds_only",
        ),
        "",
    ),
    26: (
        "A p-value is never called a probability that the bill is right",
        "-",
        ("uncertainty_wording::test_no_accuracy_without_its_factor_and_no_p_value_for_a_bill",),
        "",
    ),
    27: (
        "Another expert can reproduce every figure",
        "JCGM 100 7.1.4",
        (
            "report_folder::test_recheck_reproduces",
            "auditing::test_the_same_case_gives_the_same_bytes",
        ),
        "",
    ),
    28: (
        "Worked examples of the guides are reproduced",
        "JCGM 100 annex H, JCGM 101 9",
        (
            "uncertainty_guides::test_impedance_from_correlated_inputs",
            "uncertainty_guides::test_end_gauge_by_draws",
            "uncertainty_propagation::test_volume_equals_gtc",
            "uncertainty_guides_field::test_defaults_lie_where_the_guide_expects_weirs_and_flumes",
        ),
        "",
    ),
    29: (
        "Legal limits are kept apart from uncertainty",
        "-",
        ("uncertainty_wording::test_a_limit_changes_verdicts_and_no_uncertainty",),
        "",
    ),
    30: (
        "Terms as in the vocabulary; no accuracy without factor or probability",
        "JCGM 200",
        (
            "uncertainty_wording::test_no_accuracy_without_its_factor_and_no_p_value_for_a_bill",
            "uncertainty_wording::test_such_sentences_would_be_found",
        ),
        "",
    ),
}


def functions_of(name: str) -> set[str]:
    tree = ast.parse((TESTS / f"test_{name}.py").read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("number", sorted(REQUIREMENTS))
def test_each_requirement_has_a_test_or_a_reason(number):
    asked, _, names, reason = REQUIREMENTS[number]
    assert asked
    assert bool(names) != bool(reason)
    for name in names:
        file, function = name.split("::")
        assert function in functions_of(file), f"requirement {number}: no test {name}"


def test_all_thirty_are_listed():
    assert sorted(REQUIREMENTS) == list(range(1, 31))


def markdown() -> str:
    """The requirements and what shows that they are met."""
    lines = ["| # | asked | clause [from memory] | shown by |", "|---|---|---|---|"]
    for number, (asked, clause, names, reason) in sorted(REQUIREMENTS.items()):
        shown = ", ".join(f"`test_{name}`" for name in names) or f"no test: {reason}"
        lines.append(f"| {number} | {asked} | {clause} | {shown} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(markdown())
