package example.ebbmark.record;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.binary.api.IBinaryStorageSvc;
import ca.uhn.fhir.jpa.binstore.MemoryBinaryStorageSvcImpl;
import ca.uhn.fhir.jpa.config.HapiJpaConfig;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import jakarta.persistence.EntityManagerFactory;
import java.util.Properties;
import javax.sql.DataSource;
import org.apache.commons.dbcp2.BasicDataSource;
import org.springframework.beans.factory.annotation.Value;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;
import org.springframework.context.annotation.Import;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;

/** What the record keeps and how strictly: the library's R4 storage on H2, stricter than a hospital's on purpose. */
@Configuration
@Import({
    JpaR4Config.class,
    HapiJpaConfig.class,
    JpaBatch2Config.class,
    Batch2JobsConfig.class,
    ThreadPoolFactoryConfig.class,
    SubscriptionChannelConfig.class
})
public class StorageConfiguration {

    /** Many enough that twenty writers at once contend for rows, not for connections. */
    private static final int CONNECTIONS = 40;

    @Bean
    public JpaStorageSettings storageSettings(FhirContext context) {
        // "Observation/1/_history/2" says more than "Observation/1"; the library's default forgets it.
        context.getParserOptions().setStripVersionsFromReferences(false);
        JpaStorageSettings settings = new JpaStorageSettings();
        // Any id that FHIR allows may be the client's choice, "Patient/7" too; ids of the record's own cannot collide.
        settings.setResourceClientIdStrategy(JpaStorageSettings.ClientIdStrategyEnum.ANY);
        settings.setResourceServerIdStrategy(JpaStorageSettings.IdStrategyEnum.UUID);
        // A result that points at nothing is refused: what is written must resolve.
        settings.setEnforceReferentialIntegrityOnWrite(true);
        // A search sees what was written a moment ago.
        settings.setReuseCachedSearchResultsForMillis(null);
        // Our own code system is known to the validator as soon as it is stored.
        settings.setDeferIndexingForCodesystemsOfSize(10_000);
        return settings;
    }

    @Bean
    public PartitionSettings partitionSettings() {
        return new PartitionSettings();
    }

    @Bean
    public IBinaryStorageSvc binaryStorage() {
        return new MemoryBinaryStorageSvcImpl();
    }

    @Bean(destroyMethod = "close")
    public BasicDataSource dataSource(@Value("${record.database}") String url) {
        BasicDataSource source = new BasicDataSource();
        source.setDriver(new org.h2.Driver());
        source.setUrl(url);
        source.setUsername("record");
        source.setPassword("");
        source.setMaxTotal(CONNECTIONS);
        return source;
    }

    @Bean
    public LocalContainerEntityManagerFactoryBean entityManagerFactory(
            ConfigurableListableBeanFactory beans, FhirContext context, JpaStorageSettings settings, DataSource source) {
        LocalContainerEntityManagerFactoryBean factory =
                HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, context, settings);
        factory.setPersistenceUnitName("record");
        factory.setDataSource(source);
        Properties properties = new Properties();
        properties.put("hibernate.dialect", HapiFhirH2Dialect.class.getName());
        properties.put("hibernate.hbm2ddl.auto", "update");
        properties.put("hibernate.search.enabled", "false");
        factory.setJpaProperties(properties);
        return factory;
    }

    @Bean
    public JpaTransactionManager transactionManager(EntityManagerFactory factory) {
        return new JpaTransactionManager(factory);
    }
}
