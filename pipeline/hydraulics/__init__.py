"""Head, power, efficiency and NPSH: pure functions on arrays in SI units.

===================  =========================================================================
module               what it answers
===================  =========================================================================
``water``            density, vapour pressure and viscosity of water (IAPWS)
``declared_liquid``  the same for a liquid of which a data sheet tells some points
``pressure``         gauge, absolute, vacuum, atmosphere, gauge elevation, tank level
``pipes``            friction and minor losses, pipe sizes
``suction_line``     loss of a whole line from its drawing, and how far to trust it
``head``             total head, hydraulic power, overall and pump efficiency
``wells``            drawdown of a pumped well, submergence of an inlet
``npsh``             NPSH available, required and the margin
``operating_region`` flow against the best efficiency point
``motors``           motor efficiency from nameplate or published table, at any load
``drivers``          from a power reading to shaft power: motor, drive, belt, gear
``affinity``         reference speed
``accuracy``         an instrument's data sheet as standard uncertainties
``coverage``         degrees of freedom and coverage factor
``propagation``      the law of propagation, averaging, sums
``uncertainty``      uncertainty of head, power, efficiency, deviation and money
``monte_carlo``      the same by drawing, where the linear law does not hold
``acceptance``       a curve against a guarantee: verdict, and probability beside it
===================  =========================================================================

Every function takes numbers or arrays, broadcasts, keeps NaN as NaN, changes no input, reads
no file and draws no random number of its own. Heights rise from the pump reference plane.
Standard uncertainties (k = 1) are kept in two parts, systematic and random. A value outside
the range a relation holds for is a ``RangeError`` that names the range; functions on bulk data
also take ``out_of_range="nan"``.
"""
