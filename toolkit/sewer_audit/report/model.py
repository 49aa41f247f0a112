"""The model behind every figure as the page prints it: only the terms that this record uses."""

from __future__ import annotations

from typing import Any

import numpy as np

from sewer_audit.effluent.defaults import OTHER_HOURS, SETTING
from sewer_audit.report.show import Shown, markdown_text

__all__ = ["equations"]

SOUND = r"""with the speed of sound of ideal moist air, in m/s,

$$c = 343.2\,\sqrt{\frac{T}{293.15}}\;\sqrt{\frac{\gamma}{1.4}\,\frac{28.9647}{M}},\quad
\gamma = \frac{C}{C-1},\quad C = 3.5 + \frac{x}{2}$$

$$M = 28.9647\,(1-x) + 18.01528\,x,\quad
x = \frac{\varphi}{101325}\,611.2\,\exp\left(\frac{17.62\,t}{243.12 + t}\right)$$

where $T$ is the air temperature of the reading in kelvin, $t$ the same in degC, $x$ the share of
water vapour at 101325 Pa and $\varphi$ the relative humidity. """
DRY = r"""with the speed of sound in dry air, which the case states,
$c = 343.2\,\sqrt{T/293.15}$ m/s, $T$ the air temperature of the reading in kelvin. """
FIT = r"""What the visits say of the zero follows by generalised least squares. With $C$ the
covariance of all offsets before any visit, $H$ the rows that pick offset and shared error at each
visit, $y$ the hand readings less the instrument's and $\mu$ what was expected of the offsets,

$$\hat{z} = \mu + C H^T (H C H^T + D)^{-1} (y - H \mu)$$

$$\hat{C} = C - C H^T (H C H^T + D)^{-1} H C$$

where $D$ holds the squared standard uncertainty of each comparison, as the table of the visits has
it. """


def equations(result: Any) -> list[Shown]:
    """Equations of the volume, its zero, the balance and the decision, as far as they were used.

    Parameters
    ----------
    result : Audit
        The audit [SI].

    Returns
    -------
    list of Shown
        Markdown, an equation each [text].
    """
    parts = [*_volume(result), *_zero(result), *_balance(result), *_decision(result)]
    parts = parts or ["No volume was estimated, so no equation was used."]
    return [Shown(part.strip(), part.strip(), "text/markdown") for part in parts]


def _volume(result: Any) -> list[str]:
    series, effluent = result.evidence.series, result.evidence.effluent
    if series is None or effluent is None:
        return []
    model, by_hand = effluent.model, result.case.data.effluent.form == "hand readings"
    terms, said = ["w_k"], ["$w_k$ is the time a reading counts for: " + _weight(result, by_hand)]
    if np.ndim(series.carrier) or series.carrier != 1:
        terms.append("a_k")
        what = "the mean velocity with its factor"
        if series.area is None:
            what = "the factor of the method at the reading's heads (submergence)"
        said.append(f"$a_k$ is what multiplies the curve in each reading: {what}")
    level = "h_k" if effluent.zero is None else "h_k + z_k"
    terms.append("q_k" if series.flat else f"f({level})")
    if series.flat:
        said.append("$q_k$ is the flow recorded")
    elif effluent.zero is not None:
        said.append(r"$z_k$ is the zero offset, on a straight line between its nodes")
    whole = r"\sum_k " + r"\,".join(terms)
    if model.noise_variance:
        bent = r"\,".join([*terms[:-1], f"f''({level})"])
        whole = rf"\left[{whole} - \frac{{\sigma^2}}{{2}}\sum_k {bent}\right]"
        noise = result.case.spoken.length(model.noise_variance**0.5, 3)
        said.append(
            rf"$\sigma$ is the noise of the level ({markdown_text(noise)}), which a curve bent "
            "upward turns into volume"
        )
    elif any(cause.value for cause in model.causes.values()) or np.any(model.fill):
        whole = rf"\left[{whole}\right]"
    moved = [name for name, cause in model.causes.items() if cause.value]
    if moved:
        whole += r"\,(1 + m)"
        named = markdown_text(", ".join(moved))
        said.append(f"$m$ is what the causes with a stated value other than nothing add: {named}")
    if np.any(model.fill):
        whole += r"\,(1 + g)"
        said.append("$g$ is the volume filled in gaps over the volume measured")
    if np.any(model.unmeasured):
        whole += " + V_0"
        said.append("$V_0$ is what is estimated where nothing was measured")
    if not by_hand:
        said.append("The mean of the draws differs a little from this, because the curve is bent")
    first = "" if series.flat else _level(result)
    last = (
        " What each of them adds to each invoice stands in the table below; `by_hand/recompute.py` "
        "works them out from the readings."
    ) * (not by_hand)
    cut = "" if by_hand else ", cut at exactly the instants of the two reads"
    return [
        first,
        f"The volume of a service period is a sum over its readings{cut}:\n\n$$V = {whole}$$\n\n"
        + ". ".join(each[:1].upper() + each[1:] if each[0] != "$" else each for each in said)
        + f".{last}",
    ]


def _weight(result: Any, by_hand: bool) -> str:
    if by_hand:
        return "every look has the same part of the period, shared by its readings"
    if result.evidence.series.width is not None:
        return "the interval that it is the mean of"
    return "half the way to each neighbour"


def _level(result: Any) -> str:
    series, frame = result.evidence.series, result.inputs.logger.frame
    rating = (
        "The rating of the device turns the level into a discharge, $Q = f(h)$, with the equation "
        "and the source named above."
    )
    if series.area is not None:
        rating = "The level gives the wetted area, $A = f(h)$, and that times the mean velocity "
        rating += "the discharge."
    column = result.case.device.level_column
    if any(name in frame for name in (column, "head", "depth")):
        return f"The level over the datum is recorded. {rating}"
    far = result.case.spoken.length(result.case.data.effluent.reference_distance, 4)
    start = (
        f"The level over the datum, $h = R - d$, is what the distance $d$ of the surface leaves of "
        f"that of the datum from the sensor, $R$ = {markdown_text(far)}. "
    )
    if "echo_time" not in frame:
        return f"{start}The distance is recorded. {rating}"
    return f"{start}An echo of time $t_e$ comes from $d = c\\,t_e/2$, {_air(result)}{rating}"


def _air(result: Any) -> str:
    stated, frame = result.case.data.effluent.air, result.inputs.logger.frame
    if "humidity" in frame:
        return SOUND + "It is recorded with every reading. "
    if stated is None:
        return SOUND + (
            r"The case states no humidity of the air over the water: saturated air, "
            r"$\varphi = 1$, is assumed (default; common practice for a sewer). "
        )
    return SOUND + rf"The case states $\varphi = {stated:.3g}$. " if stated else DRY


def _zero(result: Any) -> list[str]:
    effluent = result.evidence.effluent
    if effluent is None or effluent.zero is None:
        return []
    path, causes = effluent.zero, effluent.causes
    shared = {name: cause.standard for name, cause in causes.shared.items()}

    def size(value: float) -> str:
        return markdown_text(result.case.spoken.length(value, 3))

    drift = 0.0 if causes.drift is None else causes.drift.standard
    start = size(causes.zero.standard)
    if path.visits and path.air_shift:
        start += (
            f", joined in quadrature by {size(path.air_shift)} of what temperature and humidity of "
            "the air leave open, for the visits see both together"
        )
    text = f"The zero offset $z$ starts with a standard uncertainty of {start}. "
    walks = drift and path.growth == "random walk"
    if walks:
        text += (
            rf"It then walks at random: over a time $\Delta t$ it grows by "
            rf"$s_d\,\sqrt{{\Delta t/30\,\mathrm{{d}}}}$, $s_d$ = {size(drift)}. "
        )
    elif drift:
        text += (
            "It then grows all one way, for no visit has read the instrument: over a time "
            rf"$\Delta t$ by $s_d\,\Delta t/30\,\mathrm{{d}}$, $s_d$ = {size(drift)}. "
        )
    for name, factor in path.scaled.items():
        text += (
            f"The visits contradict each other by more than was stated; {markdown_text(name)} is "
            f"therefore taken as {factor:.3g} times as large, as it stands here. "
        )
    if any(step.since is None for step in path.steps):
        text += "What was done to the instrument without a reading moves it by a further step, as "
        text += "the list of uncertain inputs has it. "
    for step in (each for each in path.steps if each.since is not None):
        text += (
            "The visits contradict each other by more than was stated; the zero is therefore taken "
            f"to have moved at an unknown moment in {(step.time - step.since) / 86400:.3g} days by "
            f"a step of {size(step.standard)}: a walk of that variance over those days. "
        )
    if path.visits:
        text += (
            "A visit at time $t_v$ reads $y_v = z(t_v) + b + e_v$: the hand reading less that of "
            "the instrument, $b$ the error all hand readings share (standard uncertainty "
            f"{size(shared.get('gauge datum', 0.0))}) and $e_v$ that of this one. "
        )
        if any(visit.rezeroed for visit in path.visits):
            setting = size(shared.get(SETTING, 0.0))
            text += (
                f"Where the instrument was set to the hand reading, $z = -b - e_v + s$ from then "
                f"on, $s$ the error of setting it ({setting}). "
            )
        text += FIT
    text += (
        r"Between two nodes (visits and reads) $z$ is a straight line; what the walk strays from "
        r"it adds the variance $s_d^2\,\Delta t/(12 \cdot 30\,\mathrm{d})$ at both ends. "
        if walks
        else "Between two nodes (visits and reads) $z$ is a straight line. "
    )
    if OTHER_HOURS in shared:
        share = shared[OTHER_HOURS] ** 2 / float(np.diag(path.offset.covariance).mean())
        text += (
            f"All visits were made within a third of the day; what the air at other hours leaves "
            f"open ({size(shared[OTHER_HOURS])}) is one error of all offsets together: about "
            f"{100 * share:.0f} % of the variance of the cause “zero error and drift” "
            "in every budget. "
        )
    return [text]


def _balance(result: Any) -> list[str]:
    evidence, parts = result.evidence, []
    if evidence.balance is not None:
        parts.append(
            "The balance of the site, with intakes $I$, other inflows $F$ and uses $U$ that never "
            "reach the sewer:\n\n"
            r"$$V = \sum_i I_i + \sum_j F_j - \sum_m U_m$$"
        )
    if result.case.data.case.basis == "intake" and evidence.basis is not None:
        parts.append(
            "What the schedule should have billed on, with the return factor "
            f"$r = {result.case.data.case.return_factor:.4g}$ and the uses $U$ that the authority "
            "credits:\n\n"
            r"$$B = r\,(\sum_i I_i - \sum_m U_m)$$"
        )
    if evidence.effluent is not None or evidence.balance is not None:
        parts.append(
            "Every quantity is a column of draws from the stated distributions, made with the same "
            "draws of the causes that invoices share (JCGM 101:2008, clauses 5 to 7)."
        )
    if evidence.reconciliation is not None and evidence.reconciliation.agree:
        parts.append(
            "Two estimates that agree are joined by weighted least squares with their full "
            "covariance $S$ from the draws, with $A$ assigning the estimates $x$ to the volumes of "
            "the invoices:\n\n"
            r"$$\hat{v} = (A^T S^{-1} A)^{-1} A^T S^{-1} x$$"
        )
    return parts


def _decision(result: Any) -> list[str]:
    if result.evidence.audited is None:
        return []
    return [
        r"A billed volume $V_b$ with tolerance $\tau$ is found too high if the interval of the "
        "audited volume lies wholly below the lower limit (guarded rejection, JCGM 106:2012, "
        "clause 8). The probability stated beside each finding is\n\n"
        r"$$p = P\,(V < (1 - \tau)\,V_b)$$"
    ]
