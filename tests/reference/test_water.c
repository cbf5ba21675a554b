/* SPDX-License-Identifier: GPL-3.0-or-later
 * Water and film against published tables; the source is named beside each check. */
#include "check.h"
#include "refdata.h"
#include "results/film.h"
#include "results/water.h"

#include <math.h>

/* IAPWS R1-76(2014), table 1, calculated column; printed to 0.01 mN/m. */
static void test_surface_tension(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "water/surface_tension_r1_76_table1.csv");
    for (size_t i = 0; i < data.rows; i++) {
        double t = refdata_column(&data, "t_degc")[i], sigma = water_surface_tension_mn_m(t);
        assert_near(sigma, refdata_column(&data, "sigma_calculated_mn_m")[i], 0.00501, "mN/m");
        /* The measured column, within the stated uncertainty. */
        assert_near(sigma, refdata_column(&data, "sigma_experimental_mn_m")[i],
                    refdata_column(&data, "uncertainty_mn_m")[i], "mN/m");
    }
    /* Tests of an open implementation of the release. */
    assert_digits(water_surface_tension_mn_m(300 - 273.15), 71.6859625, 8);
    assert_digits(water_surface_tension_mn_m(450 - 273.15), 42.8914992, 8);
}

/* IAPWS R12-08, table 4, all printed digits. */
static void test_viscosity(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "water/viscosity_r12_08_table4.csv");
    assert_int_equal(data.rows, 11);
    for (size_t i = 0; i < data.rows; i++)
        assert_near(water_viscosity_upa_s(refdata_column(&data, "t_k")[i],
                                          refdata_column(&data, "rho_kg_m3")[i]),
                    refdata_column(&data, "mu_upa_s")[i], 5.01e-7, "uPa s");
    /* Haar, Gallagher, Kell, NBS/NRC Steam Tables (1984), 1 bar, page 263: 0, 25, 50 degC. */
    assert_near(water_at(0).mu_upa_s, 1792, 1, "uPa s");
    assert_near(water_at(25).mu_upa_s, 890.8, 1, "uPa s");
}

/* Tanaka et al., Metrologia 38 (2001) 301; CIPM table, printed to 0.0001 kg/m3. */
static void test_density(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "water/density_tanaka_cipm.csv");
    assert_int_equal(data.rows, 41);
    for (size_t i = 0; i < data.rows; i++)
        assert_near(water_density_kg_m3(refdata_column(&data, "t_degc")[i]),
                    refdata_column(&data, "rho_kg_m3")[i], 5.01e-5, "kg/m3");
}

static void test_together(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "water/computed_5_to_40_degc.csv");
    for (size_t i = 0; i < data.rows; i++) {
        struct water water = water_at(refdata_column(&data, "t_degc")[i]);
        assert_near(water.rho_kg_m3, refdata_column(&data, "rho_kg_m3")[i], 1e-4, "kg/m3");
        assert_near(water.mu_upa_s, refdata_column(&data, "mu_upa_s")[i], 1e-2, "uPa s");
        assert_near(water.sigma_mn_m, refdata_column(&data, "sigma_mn_m")[i], 6e-4, "mN/m");
    }
    assert_true(isnan(water_at(-1).rho_kg_m3) && isnan(water_at(41).mu_upa_s) &&
                isnan(water_at(NAN).sigma_mn_m));
}

/* Computed independently from the rounded properties in computed_5_to_40_degc.csv;
 * printed to five digits. */
static void test_film(void **state)
{
    (void)state;
    static const double speed[] = {1, 2, 5, 10, 20, 40, 100};
    static const double at_5[] = {1.9430, 3.0844, 5.6814, 9.0187, 14.3163, 22.7257, 41.8611};
    static const double at_20[] = {1.4812, 2.3512, 4.3310, 6.8750, 10.9133, 17.3238, 31.9107};
    static const double at_35[] = {1.1966, 1.8995, 3.4989, 5.5541, 8.8166, 13.9955, 25.7800};
    static const double gravity_20[] = {10.115, 14.305, 22.618, 31.987, 45.237, 63.974, 101.152};
    struct water cold = {5, 999.9668, 1518.172, 74.942}, room = {20, 998.2067, 1001.596, 72.736},
                 warm = {35, 994.0326, 719.126, 70.402};
    for (size_t i = 0; i < 7; i++) {
        assert_near(film_thickness_um(&cold, speed[i]), at_5[i], 5.01e-5, "um");
        assert_near(film_thickness_um(&room, speed[i]), at_20[i], 5.01e-5, "um");
        assert_near(film_thickness_um(&warm, speed[i]), at_35[i], 5.01e-5, "um");
        assert_near(film_gravity_limit_um(&room, speed[i]), gravity_20[i], 5.01e-4, "um");
    }
    assert_near(film_capillary_length_mm(&cold), 2.76445, 5.01e-6, "mm");
    assert_near(film_capillary_length_mm(&room), 2.72586, 5.01e-6, "mm");
    assert_near(film_capillary_length_mm(&warm), 2.68740, 5.01e-6, "mm");
    assert_digits(film_capillary_number(&room, 1), 1.37703e-05, 5);
    assert_digits(film_thickness_um(&room, 10) / film_thickness_um(&room, 1), 4.6415888, 7);
    /* Jeffreys (1930), 50 mm below the top. */
    assert_near(film_draining_um(&cold, 50, 1), 87.98, 0.00501, "um");
    assert_near(film_draining_um(&room, 50, 1), 71.5255, 5.01e-5, "um");
    assert_near(film_draining_um(&room, 50, 10), 22.6183, 5.01e-5, "um");
    assert_near(film_draining_um(&room, 50, 100), 7.1525, 6e-5, "um");
    assert_near(film_draining_um(&warm, 50, 100), 6.073, 5.01e-4, "um");
    assert_true(isnan(film_draining_um(&room, 50, 0)) && isnan(film_thickness_um(&room, -1)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_surface_tension),
        cmocka_unit_test(test_viscosity),
        cmocka_unit_test(test_density),
        cmocka_unit_test(test_together),
        cmocka_unit_test(test_film),
    };
    return cmocka_run_group_tests_name("water and film", tests, NULL, NULL);
}
