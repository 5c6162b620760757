/* Reads the binary form of a piece and prints where to cut off a target mass.
 *
 *     cc -std=c99 -O2 -o read_piece read_piece.c
 *     ./read_piece 0001.bin 24.0 45
 *
 * prints for the profile at 45 degrees: s in mm, standard uncertainty of the mass in g, and encoder
 * count at the blade. Layout: see geomscan/profiles/binary.py. Little-endian machines only: on others
 * swap the bytes of every number first. Exit status 0 found, 1 not reached, 2 not a sound file.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
    char magic[8];
    uint32_t version, n_bytes, sequence, piece, lane, n_profiles, n_columns, n_terms;
    double encoder, mm_per_count, blade_x_mm, u_blade_x_mm, x0_mm, u_x0_mm;
    float length_mm, width_mm, volume_cm3, u_volume_cm3, mass_g, u_mass_g;
    char flags[144];
} piece_header; /* 256 bytes, no gaps */

typedef struct {
    float angle_deg, plan_angle_deg, step_mm;
    uint32_t n_knots;
} profile_header; /* 16 bytes */

enum { S_MM = 0, CUMULATIVE_G = 4, U_CUMULATIVE_G = 5 };

static uint32_t crc32_of(const unsigned char *bytes, size_t n)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < n; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ (0xEDB88320u & (0u - (crc & 1u)));
    }
    return ~crc;
}

int main(int argc, char **argv)
{
    if (argc != 4) {
        fprintf(stderr, "usage: read_piece FILE TARGET_G ANGLE_DEG\n");
        return 2;
    }
    FILE *file = fopen(argv[1], "rb");
    if (!file || fseek(file, 0, SEEK_END) != 0) {
        fprintf(stderr, "%s: cannot be read\n", argv[1]);
        return 2;
    }
    long size = ftell(file);
    rewind(file);
    if (size < (long)sizeof(piece_header) + 4) {
        fprintf(stderr, "%s: too short\n", argv[1]);
        return 2;
    }
    unsigned char *bytes = malloc((size_t)size);
    if (!bytes || fread(bytes, 1, (size_t)size, file) != (size_t)size) {
        fprintf(stderr, "%s: cannot be read\n", argv[1]);
        return 2;
    }
    fclose(file);

    const piece_header *piece = (const piece_header *)bytes;
    uint32_t checksum;
    memcpy(&checksum, bytes + size - 4, 4);
    if (memcmp(piece->magic, "GSPIECE", 8) != 0 || piece->version != 1u
        || piece->n_bytes != (uint32_t)size
        || crc32_of(bytes, (size_t)size - 4) != checksum) {
        fprintf(stderr, "%s: not a sound piece of version 1\n", argv[1]);
        return 2;
    }

    double target_g = atof(argv[2]), angle_deg = atof(argv[3]);
    const unsigned char *place = bytes + sizeof(piece_header);
    for (uint32_t p = 0; p < piece->n_profiles; p++) {
        const profile_header *profile = (const profile_header *)place;
        uint32_t n = profile->n_knots;
        const float *columns = (const float *)(place + sizeof(profile_header));
        const int32_t *counts = (const int32_t *)(columns + (size_t)piece->n_columns * n);
        place += sizeof(profile_header) + 4u * (size_t)n * (piece->n_columns + 1u + piece->n_terms);
        if (fabs(profile->angle_deg - angle_deg) > 1e-3)
            continue;
        const float *s = columns + (size_t)S_MM * n;
        const float *mass = columns + (size_t)CUMULATIVE_G * n;
        const float *u_mass = columns + (size_t)U_CUMULATIVE_G * n;
        for (uint32_t k = 1; k < n; k++) {
            if (mass[k] >= target_g && mass[k] > mass[k - 1]) {
                double share = (target_g - mass[k - 1]) / (mass[k] - mass[k - 1]);
                double count = counts[k - 1] + share * (counts[k] - counts[k - 1]);
                printf("%.3f %.3f %.0f\n", s[k - 1] + share * (s[k] - s[k - 1]), u_mass[k],
                       piece->encoder + count);
                free(bytes);
                return 0;
            }
        }
    }
    free(bytes);
    return 1;
}
