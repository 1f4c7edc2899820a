//! Rounds in SQL.

use chrono::NaiveDate;
use windrow_model::trace::fleet::ServiceAction;

use super::SqlStore;
use super::db::{Connection, Row, query, query_scalar};
use super::write::{HeldAnswer, Reply, Write, hold, in_savepoint};
use crate::rounds::hours::{Hours, Stock, Stocked};
use crate::store::facts::Actor;
use crate::store::rounds::{BookedVisit, RoundEvent, RoundsStore, SiteDay, StoredCosts, StoredPlan};
use crate::store::{EpochMs, StoreError};

/// Random bytes of an event's name.
const UID_BYTES: usize = 16;

/// Writes of this room.
pub(super) enum RoundsWrite {
    Hours(Hours, Reply<()>),
    Stock(Stock, Reply<()>),
    Costs { toml: String, actor: Actor, now_ms: EpochMs, reply: Reply<()> },
    Plan { plan: StoredPlan, from: NaiveDate, days: Vec<SiteDay>, reply: Reply<()> },
    Book { bookings: Vec<BookedVisit>, actor: Actor, reply: Reply<()> },
    EndBookings(Vec<String>, Reply<u64>),
}

impl RoundsWrite {
    pub(super) fn refuse(self, why: StoreError) -> HeldAnswer {
        match self {
            Self::Hours(_, reply)
            | Self::Stock(_, reply)
            | Self::Costs { reply, .. }
            | Self::Plan { reply, .. }
            | Self::Book { reply, .. } => hold(reply, Err(why)),
            Self::EndBookings(_, reply) => hold(reply, Err(why)),
        }
    }

    pub(super) async fn run(self, c: &mut Connection) -> HeldAnswer {
        match self {
            Self::Hours(hours, reply) => hold(reply, in_savepoint!(c, hours_put_in_tx(c, &hours))),
            Self::Stock(stock, reply) => hold(reply, in_savepoint!(c, stock_put_in_tx(c, &stock))),
            Self::Costs { toml, actor, now_ms, reply } => {
                hold(reply, in_savepoint!(c, costs_put_in_tx(c, &toml, actor, now_ms)))
            }
            Self::Plan { plan, from, days, reply } => {
                hold(reply, in_savepoint!(c, plan_put_in_tx(c, &plan, from, &days)))
            }
            Self::Book { bookings, actor, reply } => {
                hold(reply, in_savepoint!(c, book_in_tx(c, &bookings, actor)))
            }
            Self::EndBookings(device_ids, reply) => {
                hold(reply, in_savepoint!(c, end_bookings_in_tx(c, &device_ids)))
            }
        }
    }
}

async fn hours_put_in_tx(c: &mut Connection, hours: &Hours) -> Result<(), StoreError> {
    for ((site, day), minutes) in hours {
        query(
            "INSERT INTO round_hours (site, day, minutes) VALUES ($1, $2, $3) \
             ON CONFLICT (site, day) DO UPDATE SET minutes = excluded.minutes",
        )
        .bind(site)
        .bind(day.to_string())
        .bind(minutes)
        .execute(&mut *c)
        .await?;
    }
    Ok(())
}

async fn stock_put_in_tx(c: &mut Connection, stock: &Stock) -> Result<(), StoreError> {
    for ((part, model), stocked) in stock {
        query(
            "INSERT INTO round_stock (part, model, in_stock, lead_days) VALUES ($1, $2, $3, $4) \
             ON CONFLICT (part, model) DO UPDATE SET in_stock = excluded.in_stock, lead_days = excluded.lead_days",
        )
        .bind(part)
        .bind(model)
        .bind(stocked.in_stock)
        .bind(stocked.lead_days)
        .execute(&mut *c)
        .await?;
    }
    Ok(())
}

async fn costs_put_in_tx(
    c: &mut Connection,
    toml: &str,
    actor: Actor,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    query(
        "INSERT INTO round_costs (costs_id, revision, toml, set_at_ms, by_role, grant_id) VALUES (1, 1, $1, $2, $3, $4) \
         ON CONFLICT (costs_id) DO UPDATE SET revision = round_costs.revision + 1, toml = excluded.toml, \
           set_at_ms = excluded.set_at_ms, by_role = excluded.by_role, grant_id = excluded.grant_id",
    )
    .bind(toml)
    .bind(now_ms)
    .bind(actor.role.name())
    .bind(actor.grant_id)
    .execute(&mut *c)
    .await?;
    Ok(())
}

async fn plan_put_in_tx(
    c: &mut Connection,
    plan: &StoredPlan,
    from: NaiveDate,
    days: &[SiteDay],
) -> Result<(), StoreError> {
    query(
        "INSERT INTO round_plan (plan_id, version, made_at_ms, plan) VALUES (1, 1, $1, $2) \
         ON CONFLICT (plan_id) DO UPDATE SET version = round_plan.version + 1, made_at_ms = excluded.made_at_ms, \
           plan = excluded.plan",
    )
    .bind(plan.made_at_ms)
    .bind(&plan.plan_json)
    .execute(&mut *c)
    .await?;
    let known = query("SELECT site, day FROM round_event WHERE day >= $1 AND NOT is_cancelled")
        .bind(from.to_string())
        .fetch_all(&mut *c)
        .await?;
    for row in &known {
        let (site, day): (String, NaiveDate) = (row.try_get("site")?, day_of(row)?);
        if !days.iter().any(|d| d.site == site && d.day == day) {
            cancel_in_tx(c, &site, day, plan.made_at_ms).await?;
        }
    }
    for day in days {
        event_put_in_tx(c, day, plan.made_at_ms).await?;
    }
    Ok(())
}

async fn cancel_in_tx(
    c: &mut Connection,
    site: &str,
    day: NaiveDate,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    query(
        "UPDATE round_event SET is_cancelled = TRUE, sequence = sequence + 1, changed_at_ms = $1 \
         WHERE site = $2 AND day = $3",
    )
    .bind(now_ms)
    .bind(site)
    .bind(day.to_string())
    .execute(c)
    .await?;
    Ok(())
}

async fn event_put_in_tx(c: &mut Connection, day: &SiteDay, now_ms: EpochMs) -> Result<(), StoreError> {
    let mut uid = [0_u8; UID_BYTES];
    getrandom::fill(&mut uid).map_err(|e| StoreError::NoRandomness(e.to_string()))?;
    // What stands as it stood keeps its sequence and its time.
    query(
        "INSERT INTO round_event (site, day, uid, sequence, digest, is_cancelled, changed_at_ms) \
         VALUES ($1, $2, $3, 0, $4, FALSE, $5) \
         ON CONFLICT (site, day) DO UPDATE SET sequence = round_event.sequence + 1, digest = excluded.digest, \
           is_cancelled = FALSE, changed_at_ms = excluded.changed_at_ms \
         WHERE round_event.digest <> excluded.digest OR round_event.is_cancelled",
    )
    .bind(&day.site)
    .bind(day.day.to_string())
    .bind(hex::encode(uid))
    .bind(&day.digest.0[..])
    .bind(now_ms)
    .execute(c)
    .await?;
    Ok(())
}

async fn book_in_tx(c: &mut Connection, bookings: &[BookedVisit], actor: Actor) -> Result<(), StoreError> {
    for booking in bookings {
        let actions: Vec<&str> = booking.actions.iter().map(|a| a.name()).collect();
        query(
            "INSERT INTO round_booking (device_id, day, actions, booked_at_ms, by_role, grant_id) \
             VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (device_id) DO UPDATE SET day = excluded.day, \
               actions = excluded.actions, booked_at_ms = excluded.booked_at_ms, by_role = excluded.by_role, \
               grant_id = excluded.grant_id",
        )
        .bind(&booking.device_id)
        .bind(booking.day.to_string())
        .bind(actions.join(","))
        .bind(booking.booked_at_ms)
        .bind(actor.role.name())
        .bind(actor.grant_id)
        .execute(&mut *c)
        .await?;
    }
    Ok(())
}

async fn end_bookings_in_tx(c: &mut Connection, device_ids: &[String]) -> Result<u64, StoreError> {
    let mut n_ended = 0;
    for device_id in device_ids {
        let done = query("DELETE FROM round_booking WHERE device_id = $1").bind(device_id);
        n_ended += done.execute(&mut *c).await?;
    }
    Ok(n_ended)
}

fn day_of(row: &Row) -> Result<NaiveDate, StoreError> {
    let text: String = row.try_get("day")?;
    text.parse().map_err(|_| StoreError::Corrupt { column: "day", why: format!("`{text}` is no day") })
}

fn booking_of(row: &Row) -> Result<BookedVisit, StoreError> {
    let text: String = row.try_get("actions")?;
    let corrupt = || StoreError::Corrupt {
        column: "round_booking.actions",
        why: format!("`{text}` is no list of actions"),
    };
    let names = text.split(',').filter(|name| !name.is_empty());
    let actions: Option<Vec<ServiceAction>> = names.map(ServiceAction::from_name).collect();
    Ok(BookedVisit {
        device_id: row.try_get("device_id")?,
        day: day_of(row)?,
        actions: actions.ok_or_else(corrupt)?,
        booked_at_ms: row.try_get("booked_at_ms")?,
    })
}

fn event_of(row: &Row) -> Result<RoundEvent, StoreError> {
    Ok(RoundEvent {
        site: row.try_get("site")?,
        day: day_of(row)?,
        uid: row.try_get("uid")?,
        sequence: row.try_get("sequence")?,
        is_cancelled: row.try_get("is_cancelled")?,
        changed_at_ms: row.try_get("changed_at_ms")?,
    })
}

impl RoundsStore for SqlStore {
    async fn round_input_get(&self) -> Result<(Hours, Stock), StoreError> {
        let (mut hours, mut stock) = (Hours::new(), Stock::new());
        let rows = query("SELECT site, day, minutes FROM round_hours").fetch_all(&self.readers).await?;
        for row in &rows {
            hours.insert((row.try_get("site")?, day_of(row)?), row.try_get("minutes")?);
        }
        let rows = query("SELECT part, model, in_stock, lead_days FROM round_stock")
            .fetch_all(&self.readers)
            .await?;
        for row in &rows {
            let stocked =
                Stocked { in_stock: row.try_get("in_stock")?, lead_days: row.try_get("lead_days")? };
            stock.insert((row.try_get("part")?, row.try_get("model")?), stocked);
        }
        Ok((hours, stock))
    }

    async fn round_hours_put(&self, hours: Hours) -> Result<(), StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::Hours(hours, reply))).await
    }

    async fn round_stock_put(&self, stock: Stock) -> Result<(), StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::Stock(stock, reply))).await
    }

    async fn costs_get(&self) -> Result<Option<StoredCosts>, StoreError> {
        let row =
            query("SELECT revision, toml, set_at_ms FROM round_costs").fetch_optional(&self.readers).await?;
        row.map(|row| {
            Ok(StoredCosts {
                revision: row.try_get("revision")?,
                toml: row.try_get("toml")?,
                set_at_ms: row.try_get("set_at_ms")?,
            })
        })
        .transpose()
    }

    async fn costs_put(&self, toml: String, actor: Actor, now_ms: EpochMs) -> Result<(), StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::Costs { toml, actor, now_ms, reply })).await
    }

    async fn round_plan_get(&self) -> Result<Option<StoredPlan>, StoreError> {
        let row = query("SELECT made_at_ms, plan FROM round_plan").fetch_optional(&self.readers).await?;
        row.map(|row| {
            Ok(StoredPlan { made_at_ms: row.try_get("made_at_ms")?, plan_json: row.try_get("plan")? })
        })
        .transpose()
    }

    async fn round_plan_version(&self) -> Result<Option<i64>, StoreError> {
        Ok(query_scalar("SELECT version FROM round_plan").fetch_optional(&self.readers).await?)
    }

    async fn round_plan_put(
        &self,
        plan: StoredPlan,
        from: NaiveDate,
        days: Vec<SiteDay>,
    ) -> Result<(), StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::Plan { plan, from, days, reply })).await
    }

    async fn booking_list(&self) -> Result<Vec<BookedVisit>, StoreError> {
        let rows =
            query("SELECT device_id, day, actions, booked_at_ms FROM round_booking ORDER BY device_id")
                .fetch_all(&self.readers)
                .await?;
        rows.iter().map(booking_of).collect()
    }

    async fn booking_put(&self, bookings: Vec<BookedVisit>, actor: Actor) -> Result<(), StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::Book { bookings, actor, reply })).await
    }

    async fn booking_end(&self, device_ids: Vec<String>) -> Result<u64, StoreError> {
        self.write(|reply| Write::Rounds(RoundsWrite::EndBookings(device_ids, reply))).await
    }

    async fn round_event_list(&self) -> Result<Vec<RoundEvent>, StoreError> {
        let rows = query(
            "SELECT site, day, uid, sequence, is_cancelled, changed_at_ms FROM round_event ORDER BY day, site",
        )
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(event_of).collect()
    }
}
