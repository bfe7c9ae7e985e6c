"""Which rows of every table belong to one client, and none of another's."""

from __future__ import annotations

from sqlalchemy import ColumnElement, and_, or_, select, true

from labkit.book.store.schema import (
    AnswerRow,
    AttributeRow,
    BaseWaterRow,
    BottleRow,
    BottleUseRow,
    ClientRow,
    CoffeeRow,
    CupMeasurementRow,
    CupRow,
    DecisionRow,
    EventRow,
    FlightRow,
    MeasurementRow,
    OpenedCupRow,
    ScoreRow,
    SealedDosesRow,
    SealedKeyRow,
    SeatRow,
    ServingRow,
    SessionRow,
    TasterRow,
    WaterRow,
)


def rows_of_client(client_id: int) -> dict[str, ColumnElement[bool]]:
    """Say by table which rows a client may see.

    Tasters, bottles and waters to start from are the lab's: a client sees those that took part in
    their sessions, and waters of their own.
    """
    coffees = select(CoffeeRow.id).where(CoffeeRow.client_id == client_id)
    sessions = select(SessionRow.id).where(SessionRow.coffee_id.in_(coffees))
    flights = select(FlightRow.id).where(FlightRow.session_id.in_(sessions))
    cups = select(CupRow.id).where(CupRow.flight_id.in_(flights))
    servings = select(ServingRow.id).where(ServingRow.flight_id.in_(flights))
    seated = select(SeatRow.taster_id).where(SeatRow.session_id.in_(sessions))
    used = select(BottleUseRow.bottle_id).where(BottleUseRow.session_id.in_(sessions))
    started = select(SessionRow.held["base_water"].as_string()).where(
        SessionRow.coffee_id.in_(coffees)
    )
    of_lab = and_(BaseWaterRow.client_id.is_(None), BaseWaterRow.name.in_(started))
    return {
        "lab_book": true(),
        ClientRow.__tablename__: ClientRow.id == client_id,
        CoffeeRow.__tablename__: CoffeeRow.client_id == client_id,
        SessionRow.__tablename__: SessionRow.coffee_id.in_(coffees),
        AttributeRow.__tablename__: AttributeRow.session_id.in_(sessions),
        WaterRow.__tablename__: WaterRow.session_id.in_(sessions),
        SeatRow.__tablename__: SeatRow.session_id.in_(sessions),
        FlightRow.__tablename__: FlightRow.session_id.in_(sessions),
        SealedKeyRow.__tablename__: SealedKeyRow.flight_id.in_(flights),
        SealedDosesRow.__tablename__: SealedDosesRow.flight_id.in_(flights),
        CupRow.__tablename__: CupRow.flight_id.in_(flights),
        ServingRow.__tablename__: ServingRow.flight_id.in_(flights),
        CupMeasurementRow.__tablename__: CupMeasurementRow.cup_id.in_(cups),
        OpenedCupRow.__tablename__: OpenedCupRow.cup_id.in_(cups),
        ScoreRow.__tablename__: ScoreRow.serving_id.in_(servings),
        EventRow.__tablename__: EventRow.session_id.in_(sessions),
        DecisionRow.__tablename__: DecisionRow.coffee_id.in_(coffees),
        TasterRow.__tablename__: TasterRow.id.in_(seated),
        BaseWaterRow.__tablename__: or_(BaseWaterRow.client_id == client_id, of_lab),
        BottleRow.__tablename__: BottleRow.id.in_(used),
        MeasurementRow.__tablename__: MeasurementRow.bottle_id.in_(used),
        AnswerRow.__tablename__: AnswerRow.bottle_id.in_(used),
        BottleUseRow.__tablename__: BottleUseRow.session_id.in_(sessions),
    }
