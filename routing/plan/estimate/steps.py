"""What each step of the route takes: its sizes from geometry, its minutes from ``effort``."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from featurize.feature import Feature, Role
from routing.plan.edges import Break, EdgeVerdict
from routing.plan.estimate import effort
from routing.plan.estimate.effort import Effort
from routing.plan.order import Stage, Step
from routing.processes.approaches import side_direction
from routing.processes.base import JobContext, Verdict
from routing.processes.heights import HeightGrid
from routing.processes.material_rules import MaterialRule
from routing.processes.shop import Rates
from routing.processes.sink_erode.forecast import forecast
from routing.processes.sink_erode.rules import FINISH, LAST, ROUGH
from routing.processes.undercut import cut_mm3, is_undercut

# A cut that goes before its time, beside a wall that may break out, is led at half speed
# (common practice, no source).
_CAREFUL = 2.0
# A rim this little over a feature's lowest point is no rim.
_RIM_MM = 0.02


@dataclass(frozen=True, eq=False)
class Sizes:
    """What is asked of the part: ``verdicts`` are every process's answers by feature id."""

    job: JobContext
    verdicts: Mapping[str, Sequence[Verdict]]
    edges: Sequence[EdgeVerdict]
    _known: dict[Hashable, Effort] = field(default_factory=dict, repr=False)

    @property
    def rates(self) -> Rates:
        return self.job.shop.rates

    @property
    def rule(self) -> MaterialRule:
        return self.job.shop.rule(self.job.material)

    @cached_property
    def _broken_mm(self) -> Mapping[str, float]:
        """Length of the edges to break by feature, each counted once, with the first of its two faces."""
        found: dict[str, float] = {}
        for e in self.edges:
            if e.verdict == Break.MUST_BREAK:
                name = self.job.owner[e.faces[0]].id
                found[name] = found.get(name, 0) + e.length_mm
        return found

    def effort(self, step: Step, ground: Collection[str]) -> Effort:
        """One piece's effort for a step, without its setup; ``ground`` are the features that a wheel made."""
        by_id = self.job.by_id
        return effort.total(self._known_one(step, by_id[name], name in ground) for name in step.features)

    def _known_one(self, step: Step, feature: Feature, is_ground: bool) -> Effort:
        """One feature's, told by its name; plans that differ in a few features share the others'."""
        left = step.volumes_mm3.get(feature.id)
        key = step.stage, step.process, step.side, feature.id, is_ground, left
        if key not in self._known:
            self._known[key] = self._one(step, feature, is_ground).of(feature.id)
        return self._known[key]

    def _one(self, step: Step, feature: Feature, is_ground: bool) -> Effort:
        stage, rates, rule = step.stage, self.rates, self.rule
        match stage:
            case Stage.WIRE | Stage.TRIM:
                return self._wire(feature, trim=stage == Stage.TRIM)
            case Stage.START_HOLE:
                depth = float(self._said(feature, "wire", "height_mm", self._thickness))
                d = float(self._said(feature, "wire", "start_hole_mm", 1.0))
                if step.process == "mill":
                    return effort.drill(depth, d, rates.holes, scale=rule.feed_scale)
                return effort.start_hole(depth, d, rates.wire, scale=rule.erode_scale)
            case Stage.DRILL:
                return self._drill(feature)
            case Stage.RELIEF:
                ring = feature.bores[0]
                core = min(b.end_diameter_mm for b in feature.bores if b.is_cylinder)
                area = np.pi / 4 * (ring.start_diameter_mm**2 - core**2)
                depth = feature.dims["counterbore_depth_mm"]
                return effort.mill_rough(area * depth, core / 2, rates.mill, scale=rule.feed_scale)
            case Stage.THREAD:
                return self._thread(feature)
            case Stage.EDGES:
                length = self._broken_mm.get(feature.id, 0)
                return effort.edges(length, rates.bench) if length else Effort()
            case Stage.SQUARE:
                return self._face(feature)
            case Stage.LAST:
                return self._last(step, feature)
            case Stage.ERODE:
                volume, share = self._left(step, feature)
                area = share * self._area(feature.faces)
                return self._erode(step, feature, volume, area)
            case _:
                milled = step.process == "mill"
                found = self._mill(step, feature, is_ground) if milled else self._grind(step, feature)
                return (
                    found.times(_CAREFUL, "half speed beside a thin wall") if stage == Stage.OPEN else found
                )

    def _wire(self, feature: Feature, *, trim: bool) -> Effort:
        rates = self.rates.wire
        wire = float(self._said(feature, "wire", "wire_diameter_mm", rates.full_wire_mm))
        return effort.wire_cut(
            self._area(feature.faces),
            float(self._said(feature, "wire", "height_mm", self._thickness)),
            rates,
            scale=self.rule.wire_scale,
            wire_mm=wire,
            passes=1 if trim else len(rates.pass_shares),
            closed="start_hole_mm" in self._details(feature, "wire"),
        )

    def _erode(
        self,
        step: Step,
        feature: Feature,
        volume: float,
        area: float,
        kinds: tuple[str, ...] = (ROUGH, FINISH),
    ) -> Effort:
        job, left = self.job, step.volumes_mm3.get(feature.id)
        ahead = next((v for v in self.verdicts[feature.id] if v.rest and v.rest.volume_mm3 == left), None)
        toward = side_direction(job, step.side)
        electrodes = forecast(job, feature, toward, ahead, volume, area, kinds=kinds)
        rates, scale = self.rates.erode, self.rule.erode_scale
        return effort.erode(volume, area, rates, scale=scale, electrodes=electrodes)

    def _drill(self, feature: Feature) -> Effort:
        """The narrowest bore from the mouth, wider ones to their own depth; a thread's relief comes later."""
        straight = [b for b in feature.bores if b.is_cylinder]
        relieved = feature.thread and feature.thread.designation and "counterbore_depth_mm" in feature.dims
        if relieved and len(straight) > 1:
            straight = straight[1:]
        return effort.total(
            effort.drill(b.end_mm, b.start_diameter_mm, self.rates.holes, scale=self.rule.feed_scale)
            for b in straight
        )

    def _thread(self, feature: Feature) -> Effort:
        thread = feature.thread
        assert thread is not None
        reach = max((b.end_mm for b in feature.bores if b.is_cylinder), default=2 * thread.major_mm)
        depth = float(
            self._said(feature, "mill", "thread_reach_mm", feature.dims.get("thread_depth_mm", reach))
        )
        holes = self.rates.holes
        return effort.thread_mill(depth, thread.major_mm, thread.pitch_mm, holes, scale=self.rule.feed_scale)

    def _face(self, feature: Feature) -> Effort:
        """An outside face squared with the widest wheel."""
        rates = self.rates.grind
        run, width = self._plan(feature)
        found = effort.grind(rates.squared_mm, width, run, self._widest, rates, scale=self.rule.grind_scale)
        return Effort(found.run_min, rates.face_min * len(feature.faces), found.basis)

    def _grind(self, step: Step, feature: Feature) -> Effort:
        rates, details = self.rates.grind, self._details(feature, "surface grind")
        run, width = self._plan(feature)
        run = float(details.get("run_mm", run))
        wheel = float(details.get("wheel_width_mm", self._widest))
        if step.stage == Stage.FINISH:
            floor = self._area(feature.faces_with(Role.FLOOR))
            left, _ = self.job.choices.allowance_for(feature.id, str(feature.kind))
            return effort.grind(
                left, floor / run, run, wheel, rates, scale=self.rule.grind_scale, fine_only=True
            )
        depth = self._rim(self._grid(feature, step.side))
        width = self._left(step, feature)[0] / (depth * run)
        return effort.grind(depth, width, run, wheel, rates, scale=self.rule.grind_scale)

    def _mill(self, step: Step, feature: Feature, is_ground: bool) -> Effort:
        rates, scale = self.rates.mill, self.rule.feed_scale
        cutter = float(self._said(feature, "mill", "cutter_mm", rates.full_cutter_mm))
        if step.stage in (Stage.ROUGH, Stage.OPEN):
            return effort.mill_rough(self._left(step, feature)[0], cutter, rates, scale=scale)
        # Behind a wheel only the allowance on its floors is left.
        area = self._area(feature.faces_with(Role.FLOOR) if is_ground else feature.faces)
        area *= 1.0 if is_ground else self._left(step, feature)[1]
        return effort.mill_area(area, cutter, rates, scale=scale, semi=step.stage == Stage.SEMI_FINISH)

    def _last(self, step: Step, feature: Feature) -> Effort:
        """What the callouts ask beyond a process."""
        area = self._area(feature.faces)
        if step.process == "bench":
            return effort.lap(area, self.rates.bench)
        if step.process == "mill":
            bores = sum(b.is_cylinder for b in feature.bores)
            each = self.rates.holes.bore_min
            return Effort(each * bores, 0.0, (f"{bores} bores, {each:g} min each",))
        if step.process == "sink-erode":
            return self._erode(step, feature, 0.0, area, (LAST,))
        run, width = self._plan(feature)
        grind = self.rates.grind
        return effort.grind(
            grind.fine_mm, width, run, self._widest, grind, scale=self.rule.grind_scale, fine_only=True
        )

    def _details(self, feature: Feature, process: str) -> Mapping[str, float | str]:
        """The numbers behind a process's answer; of a refusal, those that it got to."""
        return next((v.details for v in self.verdicts.get(feature.id, ()) if v.process == process), {})

    def _said(self, feature: Feature, process: str, key: str, otherwise: float) -> float | str:
        return self._details(feature, process).get(key, otherwise)

    @property
    def _thickness(self) -> float:
        return self.job.extent_mm(self.job.thickness)

    @property
    def _widest(self) -> float:
        return max(w.width_mm for w in self.job.shop.wheels)

    def _area(self, faces: Iterable[int]) -> float:
        return sum(self.job.part.faces[i].area_mm2 for i in faces)

    def _plan(self, feature: Feature) -> tuple[float, float]:
        """Longest extent along the part's axes and the mean width across it."""
        run = float(np.ptp(self.job.part.frame.local(self.job.cloud(feature.faces)), axis=0).max())
        return run, self._area(feature.faces) / run

    def _grid(self, feature: Feature, side: str) -> HeightGrid:
        return HeightGrid.of(self.job, feature, side_direction(self.job, side))

    def _rim(self, grid: HeightGrid) -> float:
        """Depth below the highest level beside the feature; below the part's top where none is higher."""
        if grid.depth_mm > _RIM_MM:
            return grid.depth_mm
        return max(grid.top_mm - grid.floor_mm, _RIM_MM)

    def _left(self, step: Step, feature: Feature) -> tuple[float, float]:
        """Volume that the step finds, and its share of the whole: less where another took the bulk."""
        whole = self._volume(feature, step.side)
        left = min(step.volumes_mm3.get(feature.id, whole), whole)
        return left, left / whole if whole else 1.0

    def _volume(self, feature: Feature, side: str) -> float:
        """What stood over the feature up to its rim: what lies higher was another's to take."""
        if is_undercut(feature):
            return cut_mm3(self.job, feature)
        grid = self._grid(feature, side)
        key = ("volume to rim", feature.id, *np.round(grid.view.along, 6))
        rim = grid.floor_mm + self._rim(grid)
        return self.job.kept(
            key, lambda: float(np.clip(rim - grid.heights[grid.mine], 0, None).sum()) * grid.pitch_mm**2
        )
