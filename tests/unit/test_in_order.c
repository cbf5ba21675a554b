/* SPDX-License-Identifier: GPL-3.0-or-later
 * Items by several threads: each worked on once and taken in order, whichever thread was faster;
 * the first that fails ends it, with those before it taken and none behind. */
#include "check.h"

#include "results/in_order.h"

#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

enum { ITEMS = 400 };

struct whole {
    atomic_int worked[ITEMS];
    size_t taken[ITEMS], count;
    atomic_int open, inside; /* parts that are open; threads that have their turn */
    atomic_int wrong;        /* what should not be; told by the test's own thread */
    size_t fails_at, fails_in_take, refuses_part;
    bool waits; /* for its turn already in its work, now and then */
};

struct part {
    struct whole *whole;
    size_t item;
};

static int open_part(void *context, void *context_of_part, struct rig_err *err)
{
    struct whole *whole = context;
    struct part *part = context_of_part;
    part->whole = whole;
    size_t number = (size_t)atomic_fetch_add(&whole->open, 1) + 1;
    return number == whole->refuses_part ? rig_fail_memory(err, "a part") : RIG_OK;
}

/* One thread alone has its turn. */
static void enter(struct whole *whole)
{
    atomic_fetch_add(&whole->wrong, atomic_fetch_add(&whole->inside, 1) != 0);
}

static void leave(struct whole *whole)
{
    atomic_fetch_sub(&whole->inside, 1);
}

static void close_part(void *context)
{
    struct part *part = context;
    atomic_fetch_sub(&part->whole->open, 1);
}

/* Some items take much longer than others. */
static unsigned busy(size_t item)
{
    volatile unsigned sum = 0;
    for (size_t i = 0; i < (item % 7 ? 100 : 40000); i++)
        sum += (unsigned)i;
    return sum;
}

static int work(const void *context, void *context_of_part, size_t item,
                struct in_order_worker *worker, struct rig_err *err)
{
    struct part *part = context_of_part;
    struct whole *whole = part->whole;
    atomic_fetch_add(&whole->wrong, whole != context);
    atomic_fetch_add(&whole->worked[item], 1);
    part->item = item;
    if (whole->waits && item % 3 == 0) {
        in_order_wait(worker);
        in_order_wait(worker); /* has it already */
        enter(whole);
        busy(item);
        bool due = in_order_stopped(worker) || whole->count == item;
        atomic_fetch_add(&whole->wrong, !due);
        leave(whole);
    }
    busy(item);
    return item == whole->fails_at ? rig_fail(err, RIG_EINPUT, "item %zu", item) : RIG_OK;
}

static int take(void *context, void *context_of_part, size_t item, struct rig_err *err)
{
    struct whole *whole = context;
    const struct part *part = context_of_part;
    atomic_fetch_add(&whole->wrong, part->item != item);
    enter(whole);
    bool fails = item == whole->fails_in_take;
    if (!fails)
        whole->taken[whole->count++] = item;
    leave(whole);
    return fails ? rig_fail(err, RIG_EBUG, "taking %zu", item) : RIG_OK;
}

static int run(struct whole *whole, size_t items, size_t threads, struct rig_err *err)
{
    const struct in_order job = {whole, sizeof(struct part), open_part, work, take, close_part};
    *err = (struct rig_err){0};
    int code = in_order_run(&job, items, threads, err);
    assert_int_equal(atomic_load(&whole->open), 0);
    assert_int_equal(atomic_load(&whole->wrong), 0);
    for (size_t i = 0; i < whole->count; i++)
        assert_int_equal(whole->taken[i], i);
    for (size_t i = 0; i < ITEMS; i++)
        assert_true(atomic_load(&whole->worked[i]) <= 1);
    return code;
}

static void each_once_and_in_order(void **state)
{
    (void)state;
    struct rig_err err;
    for (size_t threads = 0; threads <= 9; threads++)
        for (int waits = 0; waits < 2; waits++) {
            struct whole whole = {.fails_at = SIZE_MAX, .fails_in_take = SIZE_MAX, .waits = waits};
            assert_int_equal(run(&whole, ITEMS, threads, &err), 0);
            assert_int_equal(whole.count, ITEMS);
        }
    struct whole none = {.fails_at = SIZE_MAX, .fails_in_take = SIZE_MAX};
    assert_int_equal(run(&none, 0, 2, &err), 0);
    assert_int_equal(none.count, 0);
}

static void the_first_failure_ends_it(void **state)
{
    (void)state;
    struct rig_err err;
    for (size_t threads = 1; threads <= 4; threads++) {
        struct whole whole = {.fails_at = 7 * 9, .fails_in_take = SIZE_MAX, .waits = true};
        assert_int_equal(run(&whole, ITEMS, threads, &err), RIG_EINPUT);
        assert_string_equal(err.text, "item 63");
        assert_int_equal(whole.count, 63);
        struct whole other = {.fails_at = 80, .fails_in_take = 77};
        assert_int_equal(run(&other, ITEMS, threads, &err), RIG_EBUG);
        assert_string_equal(err.text, "taking 77");
        assert_int_equal(other.count, 77);
    }
}

static void a_thread_without_its_part(void **state)
{
    (void)state;
    struct rig_err err;
    struct whole whole = {.fails_at = SIZE_MAX, .fails_in_take = SIZE_MAX, .refuses_part = 2};
    assert_int_equal(run(&whole, ITEMS, 3, &err), RIG_EMEMORY);
    assert_int_equal(whole.count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_once_and_in_order),
        cmocka_unit_test(the_first_failure_ends_it),
        cmocka_unit_test(a_thread_without_its_part),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
